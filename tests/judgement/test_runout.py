"""Run-out: which turn decides, and whether by its TIR or by its form."""

from decimal import Decimal
from math import cos, radians
from pathlib import Path

import pytest

from qc.judgement.readings import Doubt
from tests.judgement.bench import at, catalog, judge, open_flags, quantity, record, the_flag

REFERENCE = Path(__file__).parent.parent / "reference"

LIMITS = """
[[runout_limit]]
direction = "lateral"
stage = "rim"
limit_mm = 0.3
[[runout_limit]]
direction = "lateral"
stage = "front-wheel"
limit_mm = 0.5
[[runout_limit]]
direction = "radial"
stage = "rim"
limit_mm = 0.6
of = "tir"
[[runout_limit]]
direction = "radial"
stage = "front-wheel"
limit_mm = 0.2
of = "form"
"""
SHOP = catalog(LIMITS)


def waves(**amplitudes: float) -> str:
    """A turn of 36 readings with so many mm at once (`one`), twice (`two`) a turn."""
    one, two = amplitudes.get("one", 0), amplitudes.get("two", 0)
    angles = [radians(10 * k) for k in range(36)]
    return " ".join(f"{one * cos(a) + two * cos(2 * a):.9f}" for a in angles)


def turn(when, readings=None, **more):
    return record("runout", when, **({"readings_mm": readings} if readings else {}), **more)


# set-up of 0.5 mm and an oval of 0.1 mm: 0.6 to -0.4, so TIR 1 mm, form 0.2 mm
ECCENTRIC = waves(one=0.5, two=0.1)


def test_tir_and_form_of_the_published_example():
    # ts-worked-examples.csv: 0.3 cos + 0.1 cos 2: full reading 0.6125 of 360 points (72 here),
    # roundness against the least-squares circle 0.2000
    angles = [radians(5 * k) for k in range(72)]
    readings = " ".join(f"{0.3 * cos(a) + 0.1 * cos(2 * a):.12f}" for a in angles)
    judged = judge(SHOP, turn(2, readings))
    assert float(quantity(judged, "tir-lateral").value) == pytest.approx(0.6125, abs=5e-4)
    assert float(quantity(judged, "form-lateral").value) == pytest.approx(0.2, abs=1e-9)


def test_a_turn_that_is_only_eccentric_has_no_form():
    # runout_pure_eccentric.csv, exact by construction: 0.125 mm peaking at 40 degrees, where it
    # was read, and lowest at 220
    rows = (REFERENCE / "runout_pure_eccentric.csv").read_text().splitlines()[1:]
    readings = " ".join(row.split(",")[2] for row in rows)
    judged = judge(SHOP, turn(2, readings, direction="radial"))
    assert float(quantity(judged, "tir-radial").value) == pytest.approx(0.25, abs=1e-9)
    assert float(quantity(judged, "form-radial").value) == pytest.approx(0, abs=1e-8)


def test_a_bare_rim_is_judged_by_its_form_since_the_rest_is_the_set_up_s():
    judged = judge(SHOP, turn(2, ECCENTRIC))
    assert quantity(judged, "tir-lateral").value == 1
    assert open_flags(judged) == []


def test_a_wheel_is_judged_by_its_tir():
    judged = judge(SHOP, turn(2, ECCENTRIC, stage="front-wheel"))
    flag = the_flag(judged, "runout-lateral").verdict
    assert (flag.severity, flag.stage, flag.limit, flag.unit) == (
        "major", "front-wheel", Decimal("0.5"), "mm",
    )  # fmt: skip
    assert flag.value == quantity(judged, "tir-lateral", "front-wheel").value
    assert flag.probability is None


def test_a_limit_may_say_otherwise():
    assert open_flags(judge(SHOP, turn(2, ECCENTRIC, direction="radial"))) == ["runout-radial"]
    wheel = turn(2, ECCENTRIC, direction="radial", stage="front-wheel")
    assert open_flags(judge(SHOP, wheel)) == []
    oval = turn(2, waves(two=0.11), direction="radial", stage="front-wheel")
    assert open_flags(judge(SHOP, oval)) == ["runout-radial"]


@pytest.mark.parametrize(("tir", "flags"), [("0.3", []), ("0.31", ["runout-lateral"])])
def test_a_typed_reading_is_judged_as_given_even_on_a_bare_rim(tir, flags):
    judged = judge(SHOP, turn(2, tir_mm=tir))
    assert open_flags(judged) == flags
    assert {q.characteristic for q in judged.quantities} == {"tir-lateral"}


def test_a_form_equal_to_its_limit_is_not_above_it():
    # two waves a turn of 0.1 mm: form 0.2 mm to the last digit
    wheel = turn(2, waves(two=0.1), direction="radial", stage="front-wheel")
    judged = judge(SHOP, wheel)
    assert quantity(judged, "form-radial", "front-wheel").value == Decimal("0.2")
    assert open_flags(judged) == []


def test_the_newest_turn_decides():
    bad, good = turn(2, tir_mm="0.9"), turn(3, tir_mm="0.1")
    assert open_flags(judge(SHOP, bad, good)) == []
    judged = judge(SHOP, good, turn(4, tir_mm="0.9"))
    assert open_flags(judged) == ["runout-lateral"]
    assert quantity(judged, "tir-lateral").at == at(4)


def test_of_two_sides_the_larger_one_counts():
    left, right = turn(2, tir_mm="0.9", side="left"), turn(3, tir_mm="0.1", side="right")
    judged = judge(SHOP, left, right)
    assert quantity(judged, "tir-lateral").value == Decimal("0.9")
    assert the_flag(judged, "runout-lateral").verdict.value == Decimal("0.9")
    again = judge(SHOP, left, right, turn(4, tir_mm="0.2", side="left"))
    assert quantity(again, "tir-lateral").value == Decimal("0.2")
    assert open_flags(again) == []


def test_directions_and_stages_are_judged_apart():
    judged = judge(
        SHOP, turn(2, tir_mm="0.9"), turn(3, tir_mm="0.1", direction="radial"),
        turn(4, tir_mm="0.1", stage="front-wheel"),
    )  # fmt: skip
    assert open_flags(judged) == ["runout-lateral"]
    assert len(judged.quantities) == 3


def test_a_turn_in_doubt_gives_way_to_one_of_the_same_side_only():
    off = {"C1": [Doubt(at(8), None, at(9), Decimal(1), Decimal("0.1"))]}
    left, right = turn(2, tir_mm="0.9", side="left"), turn(10, tir_mm="0.1", side="right")
    judged = judge(SHOP, left, right, doubts=off)
    assert open_flags(judged) == ["runout-lateral"]
    assert quantity(judged, "tir-lateral").suspect
    again = judge(SHOP, left, right, turn(11, tir_mm="0.2", side="left"), doubts=off)
    assert open_flags(again) == []
    assert not quantity(again, "tir-lateral").suspect


def test_a_newer_turn_in_doubt_does_not_displace_an_older_valid_one():
    off = {"C1": [Doubt(at(8), at(4), at(9), Decimal(1), Decimal("0.1"))]}
    judged = judge(SHOP, turn(2, tir_mm="0.1"), turn(5, tir_mm="0.9"), doubts=off)
    assert quantity(judged, "tir-lateral").value == Decimal("0.1")
    assert open_flags(judged) == []


def test_of_a_limit_on_tir_and_one_on_form_the_worse_excess_stands_for_the_flag():
    both = """
    [[runout_limit]]
    direction = "lateral"
    stage = "rear-wheel"
    limit_mm = 1.0
    of = "tir"
    [[runout_limit]]
    direction = "lateral"
    stage = "rear-wheel"
    limit_mm = 0.1
    of = "form"
    """
    oval = turn(2, waves(one=0.1, two=0.5), stage="rear-wheel")
    flag = the_flag(judge(catalog(both), oval), "runout-lateral").verdict
    assert (flag.limit, flag.value) == (Decimal("0.1"), Decimal("1.0"))


def test_run_out_without_a_limit_is_not_judged():
    judged = judge(SHOP, turn(2, tir_mm="5", stage="rear-wheel"))
    assert open_flags(judged) == ["not-judged"]
    assert quantity(judged, "tir-lateral", "rear-wheel").value == 5
