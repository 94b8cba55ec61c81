"""The impact map: rim, valve hole, required places, and a shape and a word for every damage."""

from typing import Any

import pytest

from qc.figures import impact
from qc.figures.look import COLOURS, MOST_POINTS


def drop(number: int, at: float | None = 90, damage: str = "none", **more: Any) -> dict[str, Any]:
    return {
        "serial": "K-1", "test": "T1", "drop_no": number, "position_deg": at or 45.0, "at_deg": at,
        "energy_j": 40.0, "load": 1.0, "multiple": number, "damage": damage,
        "damaged": damage == "crack", "lateral_change_mm": 0.1, "radial_change_mm": None,
        "first_damage": damage == "crack", "used": True,
    } | more  # fmt: skip


def drawn_of(*drops: dict[str, Any], tests: int = 1) -> dict[str, Any]:
    hit = [d for d in drops if d["at_deg"] == 90]
    place = {"at_deg": 90.0, "drops": len(hit), "tests": tests, "damage": {"crack": 1},
             "first_damage": sum(d["first_damage"] for d in hit)}  # fmt: skip
    return {
        "protocol": "hits", "method": "repeat", "standard_energy_j": 40, "positions_deg": [90.0],
        "tests": tests, "of_tests": tests, "drops": list(drops), "places": [place],
    }  # fmt: skip


ONE = drawn_of(drop(1), drop(2, None), drop(3, damage="crack"), drop(4, used=False))


def marks(figure: Any) -> dict[str, Any]:
    return {t.name: t for t in figure.data if t.mode == "markers" and t.name != "valve hole"}


def test_the_title_says_the_first_damage_its_place_and_its_multiple() -> None:
    assert impact.title(ONE) == (
        "Test T1: first damage, a crack, at drop 3, at 90°, 3 × the standard"
    )
    assert impact.title(drawn_of(drop(1))) == "Test T1: no damage that fails it in 1 drop"


def test_every_damage_has_its_shape_its_word_and_its_number() -> None:
    found = marks(impact.figure(ONE))
    assert list(found) == ["no damage (3)", "a crack (1)"]
    assert found["a crack (1)"].marker.symbol == "x"
    assert len({shape for shape, _, _ in impact.DAMAGE.values()}) == len(impact.DAMAGE)


def test_the_rim_is_seen_from_the_drive_side_with_valve_hole_and_required_place() -> None:
    figure = impact.figure(ONE)
    assert {"valve hole", "required position"} <= {trace.name for trace in figure.data}
    axis = figure.layout.polar.angularaxis
    assert (axis.direction, axis.rotation) == ("clockwise", 90)
    assert axis.ticktext == ("valve hole", "90°")


def test_a_drop_tells_its_energy_and_whether_it_counts() -> None:
    told = marks(impact.figure(ONE))["no damage (3)"].text
    assert "40 J at 90°, here 1 × the standard" in told[0]
    assert "lateral run-out changed by 0.1 mm" in told[0]
    assert "counts for none" in told[1]
    assert "not used" in told[2]


def test_of_several_tests_the_first_damages_are_drawn_and_lead_to_their_parts() -> None:
    several = drawn_of(
        drop(1), drop(2, damage="crack"), drop(2, damage="crack", serial="K-2"), tests=3
    )
    (found,) = marks(impact.figure(several)).values()
    assert found.customdata == (["part", "K-1"], ["part", "K-2"])
    assert len(set(found.theta)) == 2
    assert impact.title(several) == "Where the damage began in 2 of 3 tests: 2 at 90°"
    assert marks(impact.figure(ONE))["a crack (1)"].customdata is None


def test_very_many_damages_are_a_bounded_number_of_points() -> None:
    many = [drop(1, damage="crack", serial=f"K-{n}") for n in range(500)]
    figure = impact.figure(drawn_of(*many, tests=500))
    assert sum(len(trace.r) for trace in figure.data) <= MOST_POINTS


@pytest.mark.parametrize("look", COLOURS)
def test_a_test_without_a_protocol_or_drops_is_drawn_all_the_same(look: str) -> None:
    empty = drawn_of() | {"positions_deg": [], "places": [], "protocol": None, "method": None}
    assert "no damage" in impact.figure(empty, look).layout.title.text
    assert "not known" in impact.alt_text(empty)
