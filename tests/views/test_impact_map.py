"""Where the striker fell: places, multiples there, and where the damage began."""

import pytest

from qc.views.impact_map import MOST_TESTS, drops_of, part_tests
from tests.maker import CATALOG, accept, correction, record, take_catalog

STEP = CATALOG.replace('method = "repeat"', 'method = "step"')


def struck(serial, *drops, test="T-1"):
    """A received part and its drops: angle, damage, and the height in mm for 40 J at 1000."""
    rows = [record("receipt", serial=serial)]
    for n, (angle, damage, *height) in enumerate(drops, 1):
        rows.append(
            record("drop", serial=serial, test=test, drop_no=n, position_deg=angle, damage=damage,
                   height_mm=height[0] if height else 1000, taken_at=f"2026-02-03T09:{n:02}:00")
        )  # fmt: skip
    return rows


def look(ledger, view, *what):
    with ledger.reading() as connection:
        return view(connection, ledger.known(connection).catalog, *what)


@pytest.fixture
def shop(ledger, tmp_path):
    take_catalog(ledger, tmp_path)
    return ledger


def test_hits_are_counted_at_their_place_and_the_damage_ends_the_test(shop):
    accept(shop, struck("R1", (0, "none"), (91, "none"), (0, "crack"), (90, "none"), (45, "none")))
    (test,) = look(shop, part_tests, "R1")
    rows = [(d["at_deg"], d["multiple"], d["first_damage"], d["used"]) for d in test["drops"]]
    assert rows == [
        (0, 1, False, True),
        (90, 1, False, True),
        (0, 2, True, True),
        (90, 2, False, False),
        (None, 1, False, False),
    ]
    assert test["positions_deg"] == [0, 90]
    assert test["places"][0] == {
        "at_deg": 0, "drops": 2, "tests": 1, "first_damage": 1, "damage": {"crack": 1}
    }  # fmt: skip
    assert test["drops"][0]["energy_j"] == pytest.approx(40)


def test_a_rung_is_its_load_at_every_place(ledger, tmp_path):
    take_catalog(ledger, tmp_path, STEP)
    accept(ledger, struck("R1", (0, "none"), (90, "none"), (0, "none", 2000), (90, "break", 2000)))
    (test,) = look(ledger, part_tests, "R1")
    assert [drop["multiple"] for drop in test["drops"]] == pytest.approx([1, 1, 2, 2])
    assert test["drops"][3]["first_damage"]


def test_drops_stand_as_corrected_and_void_ones_are_left_out(shop):
    rows = struck("R1", (0, "none"), (90, "crack"))
    accept(shop, [*rows, correction(rows[2], void=True)])
    (test,) = look(shop, part_tests, "R1")
    assert [drop["drop_no"] for drop in test["drops"]] == [1]


def test_of_several_tests_the_places_of_damage_are_counted(shop):
    accept(shop, [row for n in range(3) for row in struck(f"R{n}", (0, "none"), (90, "crack"))])
    found = look(shop, drops_of, [(f"R{n}", "T-1") for n in range(3)])
    assert [place["first_damage"] for place in found["places"]] == [0, 3]
    assert (found["tests"], found["of_tests"]) == (3, 3)


def test_of_very_many_tests_the_newest_are_read(shop):
    tests = [(f"X{n}", "T-1") for n in range(MOST_TESTS + 1)]
    found = look(shop, drops_of, tests)
    assert (found["tests"], found["of_tests"], found["drops"]) == (MOST_TESTS, MOST_TESTS + 1, [])


def test_a_part_that_was_never_struck_has_no_map(shop):
    accept(shop, [record("receipt")])
    assert look(shop, part_tests, "R1") == []
