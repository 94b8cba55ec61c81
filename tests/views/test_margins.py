"""Impact margins: what may be pooled, what is said of it, and what is kept apart."""

import json

import pytest

from qc.views.margins import kinds_tested, margin_statements, margins
from tests.maker import CATALOG, accept, record, take_catalog

PROTOCOL = CATALOG[CATALOG.index("[[protocol]]") : CATALOG.index("[[plan]]")]
SPOKE = PROTOCOL.replace('"P40"', '"S40"').replace("[0, 90]", "[15, 105]")


@pytest.fixture
def shop(ledger, tmp_path):
    take_catalog(ledger, tmp_path)
    return ledger


def look(ledger, view=margins, **named):
    with ledger.reading() as connection:
        return view(connection, ledger.known(connection).catalog, **named)


def struck(serial, hits, batch="B1", broke="none", day="02-03", angles=(0, 90), **more):
    """A part hit so many times on either position, and once more if that breaks it."""
    drops = [angle for _ in range(hits) for angle in angles] + [angles[0]] * (broke != "none")
    last = more.pop("last_height_mm", 1000)
    return [record("receipt", serial=serial, batch=batch, taken_at=f"2026-{day}T08:00:00")] + [
        record("drop", serial=serial, test=f"T-{serial}", drop_no=n, position_deg=angle,
               damage=broke if n == len(drops) else "none",
               height_mm=last if n == len(drops) else 1000,
               taken_at=f"2026-{day}T09:{n:02}:00", **more)
        for n, angle in enumerate(drops, 1)
    ]  # fmt: skip


def accept_all(ledger, *parts):
    accept(ledger, [item for part in parts for item in part])


@pytest.mark.parametrize(("parts", "percent", "share"), [(1, 5, 0.05), (3, 37, 0.3684),
                                                        (5, 55, 0.5493)])  # fmt: skip
def test_parts_that_bore_all_are_said_to_show_exactly_so_much(shop, parts, percent, share):
    """0.05^(1/n), the exact binomial bound without a failure (Clopper & Pearson 1934)."""
    accept_all(shop, *(struck(f"R{n}", 2) for n in range(parts)))
    (found,) = look(shop)
    required, standard = found["statements"]
    assert (required["at"], required["multiple"]) == ("required", 2)
    assert (standard["at"], standard["multiple"]) == ("standard", 1)
    assert required["survive_at_least"] == pytest.approx(share, abs=1e-4)
    assert required["words"] == (
        f"At the required 2 ×: {parts} of {parts} survived. "
        f"At least {percent} % survive with 95 % confidence."
    )
    assert "The parts of one batch prove that batch and no other." in found["scope"]


def test_a_test_stopped_below_the_required_multiple_counts_at_the_standard_only(shop):
    accept_all(shop, struck("R1", 2), struck("R2", 1))
    required, standard = look(shop)[0]["statements"]
    assert (required["tests"], required["unfinished"], standard["tests"]) == (1, 1, 2)
    assert required["words"].endswith("1 test that stopped before, undamaged, does not count.")


def test_a_part_struck_before_is_shown_and_counts_nowhere(shop):
    again = [
        record("drop", serial="R1", test="T-2", position_deg=angle, drop_no=n,
               taken_at=f"2026-02-04T10:0{n}:00")
        for n, angle in ((1, 0), (2, 90))
    ]  # fmt: skip
    accept_all(shop, struck("R1", 2), again)
    (found,) = look(shop)
    assert (len(found["tests"]), found["counted"], found["struck_before"]) == (2, 1, 1)
    assert found["statements"][1]["tests"] == 1


def test_chosen_and_rejected_parts_are_kept_apart_and_show_no_share(shop):
    accept_all(
        shop,
        struck("R1", 2, drawn="random"),
        struck("R2", 2),
        struck("R3", 2, drawn="chosen"),
        struck("R4", 0, broke="crack", drawn="reject"),
    )
    (found,) = look(shop)
    assert found["statements"][0]["tests"] == 2
    kinds = {row["drawn"]: row for row in found["drawn"]}
    assert [kinds[k]["pooled"] for k in kinds] == [True, True, False, False]
    assert kinds["not-stated"]["words"] == (
        "1 of 1 survived the required 2 ×, how drawn not stated: counted as random."
    )
    assert kinds["chosen"]["words"].endswith("picked: no share follows from these.")
    (batch,) = found["batches"]
    assert (batch["tests"], batch["picked"]["survived"], batch["picked"]["tests"]) == (2, 1, 2)
    assert [row["serial"] for row in found["early"]] == ["R4"]


def test_a_batch_of_chosen_parts_only_shows_nothing(shop):
    accept_all(shop, struck("R1", 2, drawn="chosen"))
    (found,) = look(shop)
    assert found["statements"][0]["words"] == "At the required 2 ×: no test shows anything."
    assert (found["survival"], found["fit"], found["bears_90"]) == ([], None, [])
    assert found["scope"] == "No part drawn at random has been tested."


@pytest.mark.parametrize("changed", ['tyre = "tubeless"', 'striker = "anvil, 5 kg"',
                                     'strike = "spoke"', "change_limit_mm = 5"])  # fmt: skip
def test_tests_struck_in_different_ways_are_never_pooled(shop, tmp_path, changed):
    later = PROTOCOL.replace("[[protocol]]", f"[[protocol]]\nfrom = 2026-02-10\n{changed}")
    take_catalog(shop, tmp_path, later)
    same = {"lateral_change_mm": 0} if "limit" in changed else {}
    accept_all(shop, struck("R1", 2), struck("R2", 2, day="02-12", **same))
    found = look(shop)
    assert [(row["protocol"], row["model"]) for row in found] == [("P40", "D50")] * 2
    assert [[test["serial"] for test in row["tests"]] for row in found] == [["R1"], ["R2"]]
    assert [row["first_test"][:10] for row in found] == ["2026-02-03", "2026-02-12"]
    with shop.reading() as connection:
        assert kinds_tested(connection) == [{"protocol": "P40", "model": "D50"}]


def test_a_new_requirement_judges_the_tests_of_before_by_todays_version(shop, tmp_path):
    later = PROTOCOL.replace("[[protocol]]", "[[protocol]]\nfrom = 2026-02-10")
    take_catalog(shop, tmp_path, later.replace("required_multiple = 2", "required_multiple = 3"))
    accept_all(shop, struck("R1", 2), struck("R2", 3, day="02-12"))
    (found,) = look(shop)
    required = found["statements"][0]
    assert (found["required_multiple"], required["tests"], required["unfinished"]) == (3, 1, 1)


def two_strikes(shop, tmp_path, **other):
    tyre = "".join(f'{name} = "{value}"\n' for name, value in other.items())
    take_catalog(shop, tmp_path, PROTOCOL + 'strike = "between"\nfrom = 2026-01-01\n'
                 + SPOKE + f'strike = "spoke"\n{tyre}')  # fmt: skip
    spoke = {"protocol": "S40", "angles": (15, 105)}
    accept_all(
        shop,
        *(struck(f"B{n}", 6) for n in range(8)),
        *(struck(f"S{n}", 1, broke="crack", **spoke) for n in range(8)),
    )


def test_hits_in_line_with_a_spoke_are_compared_with_hits_between(shop, tmp_path):
    two_strikes(shop, tmp_path)
    for protocol, other in (("P40", "S40"), ("S40", "P40")):
        (found,) = look(shop, protocol=protocol)
        (compared,) = found["strike_comparison"]
        assert (compared["with_protocol"], compared["first"]) == (other, "spoke")
        assert (compared["tests"], compared["others"]) == (8, 8)
        assert (compared["differs"], compared["weaker"]) == (True, True)
        assert compared["words"].startswith(
            "Hits in line with a spoke: parts survive less than those under hits between spokes"
        )


def test_strikes_on_different_tyres_are_not_compared(shop, tmp_path):
    two_strikes(shop, tmp_path, tyre="tubeless")
    assert [row["strike_comparison"] for row in look(shop)] == [[], []]


def test_early_failures_say_what_makes_them_early(shop):
    accept_all(
        shop,
        struck("R1", 0, broke="crack"),
        struck("R2", 1, broke="crack"),
        struck("R3", 1, "B2", broke="crack"),
        struck("R4", 2, "B2", broke="crack"),
        struck("R5", 0, "B2", broke="crack", last_height_mm=1500),
    )
    (found,) = look(shop)
    assert [(row["serial"], row["kind"]) for row in found["early"]] == [
        ("R1", "below-standard"), ("R5", "standard-not-shown"),
        ("R2", "before-required"), ("R3", "before-required"),
    ]  # fmt: skip
    said = {row["serial"]: row["words"] for row in found["early"]}
    assert said["R1"] == (
        "Damaged by 1 ×: does not bear the standard impact. 2 of 2 tests of its batch failed early."
    )
    assert said["R3"].startswith("Damaged by 2 ×, survived 1 ×: 1 × short of the required 2 ×.")
    assert said["R5"].startswith("Damaged at a multiple unknown: not shown to bear the standard")


def test_damage_at_a_multiple_that_cannot_be_told_counts_as_failed(shop):
    accept_all(shop, struck("R1", 2), struck("R2", 1, broke="crack", last_height_mm=1500))
    (found,) = look(shop)
    assert [(t["survived"], t["failed"], t["damaged"]) for t in found["tests"]] == [
        (2, None, False), (1, None, True),
    ]  # fmt: skip
    assert found["statements"][0]["failed"] == 1
    curve = {point["multiple"]: point["survive"] for point in found["survival"]}
    assert (curve[1.0], curve[2.0]) == (1, 0.5)


def test_what_90_percent_survive_is_said_with_its_reason_or_not_at_all(shop):
    accept_all(shop, *(struck(f"R{n}", 2) for n in range(22)))
    (found,) = look(shop)
    sure, surer = found["bears_90"]
    assert (sure["confidence"], sure["multiple"], sure["basis"]) == (0.9, 2, "any-distribution")
    assert (surer["multiple"], surer["basis"]) == (None, None)
    assert "it takes 29 tests" in surer["words"]
    assert "no test ended in damage" in surer["words"]
    assert 0 < surer["never_easier"] < 2
    assert found["fit"]["refused"] == "no-damage"


def test_failures_that_scatter_are_fitted_and_the_lower_bound_lies_below_the_curve(shop):
    accept_all(shop, *(struck(f"R{n}", 2 + n % 5, broke="crack") for n in range(15)))
    (found,) = look(shop)
    assert found["fit"]["family"] in ("weibull", "lognormal")
    assert all(point["lower"] <= point["survive"] for point in found["fit"]["curve"])
    first, second = (row["multiple"] for row in found["bears_90"])
    assert 0 < second < first < 4


def test_each_batch_has_its_own_statements_and_a_weak_one_is_named(shop):
    accept_all(
        shop,
        *(struck(f"R{n}", 6, "B1") for n in range(8)),
        *(struck(f"W{n}", 1, "B2", broke="crack") for n in range(5)),
    )
    (found,) = look(shop)
    assert [row["batch"] for row in found["batches"]] == ["B1", "B2"]
    assert [row["statements"][0]["survived"] for row in found["batches"]] == [8, 0]
    (compared,) = found["comparisons"]
    assert compared["differs"]
    assert compared["p"] == pytest.approx(1 / 1287, abs=1e-5)  # 1 of the 13 over 5 ways
    assert "Read the statements batch by batch" in found["comparisons_words"]


def test_an_answer_is_json_whatever_happened(shop):
    accept_all(shop, struck("R1", 0, broke="crack"), struck("R2", 0), struck("R3", 6, "B2"))
    (found,) = look(shop)
    json.dumps(found, allow_nan=False)
    (short,) = look(shop, margin_statements)
    assert short.items() <= found.items()
