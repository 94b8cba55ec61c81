"""Plans in words: what a passed test proves of the lot, worked out by hand for small lots."""

from decimal import Decimal
from math import comb

import pytest

from qc.errors import RimqcError
from qc.views.plan import aql_plan, reliability_plan


def proof(**given):
    asked = {"reliability": 0.9, "confidence": 0.95, "failures": 0, "lot_size": None}
    return reliability_plan(**{**asked, "test": "strike", **given})


def by_aql(**given):
    asked = {"lot_size": 60, "aql": Decimal("1.0"), "level": "II", "severity": "normal"}
    return aql_plan(**{**asked, "standard": "iso-2859-1", "test": "weigh", **given})


@pytest.mark.parametrize(
    ("reliability", "confidence", "n"),
    # success run, n = ln(1-C)/ln R rounded up (22 for 90/90: qualitydigest.com/print/27832)
    [(0.9, 0.9, 22), (0.95, 0.9, 45), (0.95, 0.95, 59), (0.9, 0.95, 29), (0.99, 0.95, 299)],
)
def test_without_a_lot_a_success_run_is_asked_for(reliability, confidence, n):
    plan = proof(reliability=reliability, confidence=confidence)
    assert (plan["n"], plan["lot_size"], plan["left_to_sell"]) == (n, None, None)
    assert plan["sentence"] == (
        f"Strike {n} parts, drawn at random. If none fails, at least {100 * reliability:g} % of "
        f"the parts made like them survive, with {100 * confidence:g} % confidence. "
        "A struck part never ships."
    )


@pytest.mark.parametrize("lot", range(2, 41))
@pytest.mark.parametrize("failures", [0, 1])
def test_a_small_lot_takes_the_fewest_strikes_that_prove_it(lot, failures):
    # second road: every composition of the lot, hypergeometric by counting
    bad = lot // 10 + 1

    def passes(n):
        ways = (comb(bad, k) * comb(lot - bad, n - k) for k in range(failures + 1) if n >= k)
        return sum(ways) / comb(lot, n)

    if failures > lot // 10:
        with pytest.raises(RimqcError, match="too few to allow 1 to fail"):
            proof(lot_size=lot, failures=failures)
        return
    plan = proof(lot_size=lot, failures=failures)
    enough = [n for n in range(1, lot + 1) if passes(n) <= 0.05 + 1e-12]
    assert plan["n"] == min(enough)
    assert plan["left_to_sell"] == lot - plan["n"]


def test_the_statement_on_a_lot_has_one_wording():
    assert proof(lot_size=30)["sentence"] == (
        "Strike 15 of 30 parts, drawn at random. If none fails, at least 90 % of the lot survive, "
        "with 95 % confidence: at most 3 of its 30 parts fail. 15 parts are left to sell; that up "
        "to 3 of them fail is not ruled out. A struck part never ships."
    )
    assert proof(lot_size=6)["sentence"] == (
        "Strike all 6 parts of the lot. If none fails, at least 90 % of the lot survive, with "
        "95 % confidence: none of its 6 parts fails. Nothing is left to sell. "
        "A struck part never ships."
    )
    weighed = proof(lot_size=100, failures=2, test="weigh")
    assert weighed["sentence"] == (
        f"Weigh {weighed['n']} of 100 parts, drawn at random. If no more than 2 are outside, at "
        "least 90 % of the lot are inside, with 95 % confidence: at most 10 of its 100 parts are "
        "outside."
    )
    assert weighed["left_to_sell"] == 100


def test_the_risks_run_from_a_lot_without_a_bad_part_to_one_that_hardly_passes():
    curve = proof(lot_size=30)["curve"]
    assert curve[0] == {"bad": 0, "bad_share": 0, "accepted": 1}
    # one bad part of 30, 15 struck: it is missed in half the draws
    assert curve[1]["accepted"] == pytest.approx(0.5, abs=1e-12)
    assert curve[4]["accepted"] == pytest.approx(comb(26, 15) / comb(30, 15), rel=1e-12)
    assert curve[-1]["accepted"] < 0.005 <= curve[-2]["accepted"]
    endless = proof()["curve"]
    assert len(endless) == 25
    assert endless[12]["accepted"] == pytest.approx((1 - endless[12]["bad_share"]) ** 29, rel=1e-9)


def test_an_aql_gives_the_plan_of_the_standard_and_both_risks():
    plan = by_aql()
    assert (plan["letter"], plan["n"], plan["ac"], plan["re"]) == ("E", 13, 0, 1)
    # 0.99^13 = 0.878; C(51,13)/C(60,13) = 0.092 with 9 bad parts, 0.123 with 8
    assert plan["sentence"] == (
        "Weigh 13 of 60 parts, drawn at random. If none is outside its limits, accept the lot, "
        "else refuse it (ISO 2859-1, level II, normal, AQL 1.0 %, letter E). A process that makes "
        "1 % bad parts is accepted in 88 lots of 100; this lot with 9 bad parts (15 %) with a "
        "chance of at most 10 %."
    )


def test_striking_by_aql_says_what_is_left():
    plan = by_aql(test="strike")
    assert plan["left_to_sell"] == 47
    assert "47 parts are left to sell. A struck part never ships." in plan["sentence"]


def test_reduced_plans_differ_between_the_standards():
    old = by_aql(lot_size=1000, severity="reduced", standard="mil-std-105e")
    new = by_aql(lot_size=1000, severity="reduced")
    assert (old["n"], old["ac"], old["re"]) == (32, 1, 3)
    assert (new["n"], new["ac"], new["re"]) == (32, 1, 2)
    assert "From 2 on, go back to normal inspection." in old["sentence"]
    assert "go back" not in new["sentence"]


def test_measured_values_are_judged_by_their_mean_and_spread():
    plan = by_aql(standard="iso-3951-1")
    assert (plan["n"], plan["k"], plan["k_is"]) == (9, 1.696, "from memory")
    assert "If the mean lies at least 1.696 standard deviations" in plan["sentence"]
    assert "Holds for values that are near normal." in plan["sentence"]
    old = by_aql(standard="mil-std-414", level="IV")
    assert (old["letter"], old["n"], old["k"]) == ("E", 7, 1.62)
    assert [point["bad"] for point in old["curve"][:2]] == [None, None]


def test_plans_that_make_no_sense_are_refused():
    with pytest.raises(RimqcError, match="above 10 it would count faults per 100 parts"):
        by_aql(aql=Decimal(15))
    with pytest.raises(RimqcError, match="ISO 3951-1 is carried for normal and tightened only"):
        by_aql(standard="iso-3951-1", severity="reduced")
    with pytest.raises(RimqcError, match="judges measured values; use --test weigh"):
        by_aql(standard="mil-std-414", level="IV", test="strike")
    with pytest.raises(RimqcError, match="MIL-STD-414 has levels I to V; got S-1"):
        by_aql(standard="mil-std-414", level="S-1")
