"""Bare mass against the claim, with numbers worked by hand."""

import json
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.judgement.mass import against_claim, part_mass
from qc.judgement.readings import Doubt, Reading
from qc.physics.mass import pair_mass
from tests.judgement.bench import at, catalog, judge, open_flags, quantity, record, the_flag

SHOP = catalog()
REFERENCE = Path(__file__).parent.parent / "reference"


def weighed(when, gross, **more):
    return record("weighing", when, gross_g=gross, **more)


def sharp(claim: str, u: str) -> str:
    """A shop whose only uncertainty is that of its scale, and what it claims."""
    return f"""
    [[gauge]]
    code = "sharp"
    measures = "mass"
    unit = "g"
    resolution = 0
    u = {u}
    [[claim]]
    model = "D50"
    stage = "front-wheel"
    from = 2026-01-01
    {claim}
    """


def test_what_was_fitted_is_taken_off_the_gross_mass():
    # 866 - 2 x 17.5 = 831
    bare = quantity(judge(SHOP, weighed(2, 866, fitted="tape:2")), "bare-mass")
    assert bare.value == 831


def test_the_uncertainty_joins_scale_readout_and_every_piece():
    # 0.2^2 + 0.1^2/12 + (2 x 0.3)^2 + 2 x 0.1^2 = 0.04 + 0.000833 + 0.36 + 0.02
    bare = quantity(judge(SHOP, weighed(2, 866, fitted="tape:2")), "bare-mass")
    assert bare.u == pytest.approx(0.4208333333**0.5, rel=1e-9)


def test_a_bare_rim_has_the_uncertainty_of_its_scale():
    bare = quantity(judge(SHOP, weighed(2, 831)), "bare-mass")
    assert bare.u == pytest.approx((0.04 + 0.01 / 12) ** 0.5, rel=1e-12)


def test_a_part_weighed_again_has_the_mean_and_only_what_scatters_shrinks():
    # 830.9, 831.0 and 831.4: mean 831.1; readout 0.1^2/12 falls to a third, the scale's stays
    judged = judge(SHOP, weighed(2, "830.9"), weighed(3, "831.0"), weighed(4, "831.4"))
    bare = quantity(judged, "bare-mass")
    assert bare.value == Decimal("831.1")
    assert bare.u == pytest.approx((0.04 + 0.01 / 36) ** 0.5, rel=1e-12)
    assert bare.at == at(4)


def test_repeats_on_two_scales_share_neither_s_error():
    # each scale's error counts half: 0.1^2 + 0.15^2, readout 2 x 0.1^2/12 / 4
    judged = judge(SHOP, weighed(2, "831.0"), weighed(3, "831.2", gauge="S2"))
    bare = quantity(judged, "bare-mass")
    assert bare.value == Decimal("831.1")
    assert bare.u == pytest.approx((0.01 + 0.0225 + 0.01 / 24) ** 0.5, rel=1e-12)


def test_what_two_wheels_of_a_pair_share_adds_up_linearly():
    # 812 + 807 = 1619 gross, less four strips of 17.5: 1549
    def mass(gross):
        weighing = weighed(2, gross, fitted="tape:2", stage="front-wheel")
        return part_mass([Reading(weighing)], SHOP)[0]

    pair = pair_mass(mass(812), mass(807))
    assert pair.bare_g == 1549
    # scale (2 x 0.2)^2, tape (4 x 0.3)^2, and for each wheel 0.1^2/12 + 2 x 0.1^2
    assert pair.u_g == pytest.approx((0.16 + 1.44 + 2 * (0.01 / 12 + 0.02)) ** 0.5, rel=1e-12)


@pytest.mark.parametrize(
    ("gross", "flag", "beyond"),
    [
        ("830", None, ""),
        ("830.1", "weight-over-claim", "over"),
        ("805", None, ""),
        ("804.9", "weight-under-claim", "under"),
        ("820", None, ""),
    ],
)
def test_a_mass_equal_to_its_limit_is_neither_over_nor_under(gross, flag, beyond):
    judged = judge(SHOP, weighed(2, gross))
    assert open_flags(judged) == ([flag] if flag else [])
    assert quantity(judged, "bare-mass").beyond == beyond


def test_a_flag_says_value_limit_stage_and_probability():
    # u = 0.20207; (831 - 830)/u = 4.9487 standard uncertainties beyond
    flag = the_flag(judge(SHOP, weighed(2, 831)), "weight-over-claim").verdict
    assert (flag.value, flag.limit, flag.unit, flag.stage) == (831, 830, "g", "rim")
    assert flag.severity == "major"
    assert flag.probability == pytest.approx(0.99999963, abs=1e-8)


def test_a_light_part_may_lack_material():
    flag = the_flag(judge(SHOP, weighed(2, 804)), "weight-under-claim").verdict
    assert flag.limit == 805
    assert "lack material" in flag.message


def test_the_probability_beyond_a_limit_is_that_of_jcgm_106():
    # conformance_two_sided.json: claim of 406 g and 6 g either way, u = 1.1 g; the far limit is
    # too far away to matter
    rows = json.loads((REFERENCE / "conformance_two_sided.json").read_text())["data"]["rows"]
    shop = catalog(sharp("claimed_g = 406\nover_g = 6\nunder_g = 6\nrule = 'guarded'", "1.1"))
    tried = 0
    for row in rows:
        judged = judge(shop, weighed(2, row["y"], gauge="sharp", stage="front-wheel"))
        side = "over" if row["y"] > 406 else "under"
        if 401.8094 < row["y"] < 410.1905:
            assert open_flags(judged) == []
        else:
            found = the_flag(judged, f"weight-{side}-claim").verdict
            assert found.probability == pytest.approx(1 - row["pc"], abs=1e-7)
            tried += 1
    assert tried == 7


def test_the_published_example_of_one_limit_holds_for_a_light_part():
    # JCGM 106:2012, 7.3: 5.47 against 5.40 at u = 0.05, conforms with 0.92; mirrored
    diode = json.loads((REFERENCE / "jcgm106_one_sided.json").read_text())
    shop = catalog(sharp("claimed_g = 6\nover_g = 9\nunder_g = 0.60\nrule = 'guarded'", "0.05"))
    judged = judge(shop, weighed(2, "5.47", gauge="sharp", stage="front-wheel"))
    flag = the_flag(judged, "weight-under-claim").verdict
    assert 1 - flag.probability == pytest.approx(diode["computed_here"]["diode"], abs=1e-9)
    assert round(1 - flag.probability, 2) == diode["published"]["diode"]


@pytest.mark.parametrize(
    ("gross", "verdict"),
    [
        # guard 1.645 x 2 = 3.29 on either side of the limits 385 and 410
        ("400", "conforms"),
        ("406.71", "conforms"),
        ("406.72", "undecided"),
        ("410", "undecided"),
        ("413.28", "undecided"),
        ("413.29", "does-not-conform"),
        ("388.29", "conforms"),
        ("388.28", "undecided"),
        ("381.71", "does-not-conform"),
    ],
)
def test_within_1_645_uncertainties_of_a_limit_the_verdict_is_undecided(gross, verdict):
    shop = catalog(sharp("claimed_g = 400\nover_g = 10\nunder_g = 15", "2"))
    judged = judge(shop, weighed(2, gross, gauge="sharp", stage="front-wheel"))
    assert quantity(judged, "bare-mass", "front-wheel").verdict == verdict


def test_an_undecided_part_is_no_flag_by_itself():
    shop = catalog(sharp("claimed_g = 400\nover_g = 10\nunder_g = 15", "2"))
    assert open_flags(judge(shop, weighed(2, 410, gauge="sharp", stage="front-wheel"))) == []


@pytest.mark.parametrize(
    ("gross", "flag"),
    [
        ("406.71", None),
        ("406.711", "weight-over-claim"),
        ("388.29", None),
        ("388.289", "weight-under-claim"),
    ],
)
def test_a_guarded_claim_wants_the_mass_inside_by_1_645_uncertainties(gross, flag):
    claim = "claimed_g = 400\nover_g = 10\nunder_g = 15\nrule = 'guarded'"
    judged = judge(
        catalog(sharp(claim, "2")), weighed(2, gross, gauge="sharp", stage="front-wheel")
    )
    assert open_flags(judged) == ([flag] if flag else [])


def test_a_mass_that_is_inside_but_not_by_enough_is_said_so():
    claim = "claimed_g = 400\nover_g = 10\nunder_g = 15\nrule = 'guarded'"
    judged = judge(catalog(sharp(claim, "2")), weighed(2, 408, gauge="sharp", stage="front-wheel"))
    flag = the_flag(judged, "weight-over-claim").verdict
    assert "not clear of" in flag.message
    # (410 - 408)/2 = 1 uncertainty inside: 15.87 % beyond
    assert flag.probability == pytest.approx(0.158655, abs=1e-6)


def test_a_weight_that_no_claim_covers_is_not_judged():
    judged = judge(SHOP, weighed(2, 900, stage="rear-wheel"))
    assert open_flags(judged) == ["not-judged"]
    assert quantity(judged, "bare-mass", "rear-wheel").value == 900
    assert "rear-wheel weight" in the_flag(judged, "not-judged").verdict.message


def test_the_claim_of_the_newest_weighing_s_day_decides():
    newer = """
    [[claim]]
    model = "D50"
    stage = "rim"
    claimed_g = 800
    over_g = 10
    under_g = 15
    from = 2026-03-05
    """
    shop = catalog(newer)
    assert open_flags(judge(shop, weighed(4, 820))) == []
    assert open_flags(judge(shop, weighed(4, 820), weighed(6, 820))) == ["weight-over-claim"]


def test_the_day_of_a_weighing_is_the_site_s_day():
    # 29 March, 23:30 UTC is half past midnight of the 30th in Lisbon, in summer time
    newer = """
    [[claim]]
    model = "D50"
    stage = "rim"
    claimed_g = 800
    over_g = 10
    under_g = 15
    from = 2026-03-30
    """
    shop = catalog(newer)
    assert open_flags(judge(shop, weighed(at(29, 22, 30), 820))) == []
    assert open_flags(judge(shop, weighed(at(29, 23, 30), 820))) == ["weight-over-claim"]


def test_a_fitted_part_listed_from_a_later_day_is_taken_off_all_the_same():
    strip = """
    [[fitted_part]]
    code = "strip"
    mass_g = 20
    u_g = 0
    from = 2026-03-20
    """
    bare = quantity(judge(catalog(strip), weighed(2, 840, fitted="strip:1")), "bare-mass")
    assert bare.value == 820


def test_a_weighing_in_doubt_gives_way_to_one_that_is_not():
    off = [Doubt(at(5), None, at(6), Decimal(3), Decimal("0.5"))]
    judged = judge(SHOP, weighed(2, 840), weighed(3, 825, gauge="S2"), doubts={"S1": off})
    bare = quantity(judged, "bare-mass")
    assert (bare.value, bare.suspect) == (825, False)
    assert open_flags(judged) == []


def test_a_part_weighed_only_in_doubt_still_raises_its_flag_and_is_marked():
    off = [Doubt(at(5), None, at(6), Decimal(3), Decimal("0.5"))]
    judged = judge(SHOP, weighed(2, 840), doubts={"S1": off})
    assert quantity(judged, "bare-mass").suspect
    assert open_flags(judged) == ["weight-over-claim"]


def test_a_claim_so_tight_that_the_scale_cannot_tell_flags_both_sides():
    claim = "claimed_g = 400\nover_g = 1\nunder_g = 1\nrule = 'guarded'"
    shop = catalog(sharp(claim, "2"))
    judged = judge(shop, weighed(2, 400, gauge="sharp", stage="front-wheel"))
    assert open_flags(judged) == ["weight-over-claim", "weight-under-claim"]


def test_a_pair_is_judged_like_a_part():
    shop = catalog(sharp("claimed_g = 1500\nover_g = 30\nunder_g = 20", "1").replace(
        'stage = "front-wheel"', 'stage = "pair"'))  # fmt: skip
    claim = shop.claim("D50", "pair")
    assert claim is not None
    wheel, _ = part_mass([Reading(weighed(2, 774.5, gauge="sharp"))], shop)
    pair = pair_mass(wheel, wheel)
    flags, beyond, verdict = against_claim(pair, pair.u_g, claim, "pair", ("a", "b"))
    assert [(f.flag, f.value, f.limit, f.stage) for f in flags] == [
        ("weight-over-claim", 1549, 1530, "pair")
    ]
    # one scale for both: its error of 1 g counts twice; 19 g beyond
    assert pair.u_g == 2
    assert (beyond, verdict) == ("over", "does-not-conform")


@given(gross=st.decimals(795, 840, places=2))
def test_every_bare_weighing_is_judged_as_the_decimals_compare(gross):
    judged = judge(SHOP, weighed(2, str(gross)))
    bare = quantity(judged, "bare-mass")
    assert bare.value == gross
    assert bare.beyond == ("over" if gross > 830 else "under" if gross < 805 else "")
    near = min(abs(gross - 830), abs(gross - 805)) < Decimal("1.645") * Decimal(bare.u)
    assert (bare.verdict == "undecided") == near
    assert near or (bare.verdict == "conforms") == (bare.beyond == "")
