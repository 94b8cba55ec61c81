"""Where an impact test stands, drop by drop."""

import pytest

from qc.errors import RimqcError
from qc.views.entry_test import going_test
from tests.maker import CATALOG, accept, record, take_catalog

LADDER = (
    CATALOG
    + """
[[protocol]]
code = "L"
stage = "rim"
standard_energy_j = 40
required_multiple = 1.5
method = "step"
positions_deg = [0, 90]
fails_at = "crack"
"""
)


@pytest.fixture
def at_rig(ledger, tmp_path):
    take_catalog(ledger, tmp_path, LADDER)
    accept(ledger, [record("receipt")])
    count = iter(range(1, 60))

    def strike(**given):
        second = next(count)
        given = {"taken_at": f"2026-02-02T10:00:{second:02}"} | given
        accept(ledger, [record("drop", **given)])

    def stands(protocol="P40", test=None):
        with ledger.reading() as connection:
            return going_test(connection, ledger.catalog(), "R1", protocol, test)

    return strike, stands


def test_a_fresh_part_begins_at_the_first_position(at_rig):
    _, stands = at_rig
    fresh = stands()
    assert (fresh["test"], fresh["drop_no"], fresh["next_deg"]) == ("R1-T1", 1, 0)
    assert (fresh["struck"], fresh["began"], fresh["counts"]) == (False, False, True)
    assert fresh["still_needed"] == 4  # 2 × the standard on each of 2 positions


def test_the_position_struck_least_comes_next(at_rig):
    strike, stands = at_rig
    strike(drop_no=1, position_deg=0)
    assert (stands()["next_deg"], stands()["hits"]) == (90, [1, 0])
    strike(drop_no=2, position_deg=90)
    once = stands()
    assert (once["next_deg"], once["drop_no"], once["survived"]) == (0, 3, 1)
    assert once["still_needed"] == 2


def test_a_weaker_drop_counts_for_nothing(at_rig):
    strike, stands = at_rig
    strike(drop_no=1, height_mm=500)
    assert (stands()["hits"], stands()["next_deg"], stands()["still_needed"]) == ([0, 0], 0, 4)
    assert stands()["marks"] == ["off-protocol"]


def test_damage_ends_the_test_and_another_one_would_not_count(at_rig):
    strike, stands = at_rig
    strike(drop_no=1, damage="crack")
    ended = stands(test="T-1")
    assert (ended["damaged"], ended["failed"], ended["counts"]) == (True, 1, True)
    another = stands()
    assert (another["test"], another["began"], another["counts"]) == ("R1-T1", False, False)


def test_a_repaired_part_begins_no_test_that_counts(at_rig, ledger):
    _, stands = at_rig
    accept(ledger, [record("disposition", decision="repair")])
    assert stands()["counts"] is False


def test_a_ladder_asks_for_the_positions_that_its_rung_still_lacks(at_rig):
    strike, stands = at_rig
    ladder = {"protocol": "L", "test": "T-9"}
    strike(**ladder, drop_no=1, position_deg=0)
    assert (stands("L")["next_deg"], stands("L")["still_needed"]) == (90, None)
    strike(**ladder, drop_no=2, position_deg=90)
    assert (stands("L")["next_deg"], stands("L")["survived"]) == (0, 1)
    strike(**ladder, drop_no=3, position_deg=0, height_mm=1500)
    assert stands("L")["next_deg"] == 90
    higher, lower = stands("L")["loads"]
    assert (higher, lower) == (pytest.approx([1, 1.5], abs=1e-6), [1])


def test_a_protocol_nobody_knows_is_named(at_rig):
    _, stands = at_rig
    with pytest.raises(RimqcError, match="no protocol P41 in the catalog"):
        stands("P41")
