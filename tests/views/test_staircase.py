"""The up-and-down test: first drops from the records, the next multiple and its height."""

import json
from decimal import Decimal
from pathlib import Path

import pytest

from qc.errors import RimqcError
from qc.views.lot import lot_of
from qc.views.staircase import staircase
from tests.maker import CATALOG, accept, record, take_catalog

REFERENCE = Path(__file__).parents[1] / "reference"
# 40 J from 1 m: 4.078865 kg
STRIKER = Decimal("4.078865")
UP_AND_DOWN = (
    CATALOG
    + """
[[protocol]]
code = "UD"
stage = "rim"
standard_energy_j = 40
required_multiple = 2
method = "step"
positions_deg = [0]
fails_at = "crack"
"""
)


@pytest.fixture
def shop(ledger, tmp_path):
    take_catalog(ledger, tmp_path, UP_AND_DOWN)
    return ledger


def look(ledger, **given):
    with ledger.reading() as connection:
        catalog = ledger.known(connection).catalog
        return staircase(connection, catalog, **{"protocol": "UD", "model": "D50", **given})


def struck(number, height_mm, damage="none", batch="B1", **more):
    """A rim struck once, in the order of its number."""
    serial, day = f"U{number:02}", f"2026-03-{number:02}T10:00:00"
    drop = {"serial": serial, "test": f"T-{number}", "protocol": "UD", "taken_at": day}
    return [
        record("receipt", serial=serial, batch=batch),
        record("drop", **{**drop, "height_mm": height_mm, "damage": damage, **more}),
    ]


def test_the_first_drop_is_the_one_that_was_asked_for(shop):
    found = look(shop, start=2, striker_kg=STRIKER)
    assert (found["next_multiple"], found["next_height_mm"]) == (2, 2000)
    assert found["results"] == []
    assert found["sentence"] == (
        "No part has been struck by UD yet: begin. Strike the next part once at 2 × the standard "
        "impact: drop 4.078865 kg from 2000 mm (80 J). A struck part never ships."
    )


def test_up_after_a_rim_that_survived_and_down_after_one_that_failed(shop):
    accept(shop, struck(1, 2000))
    up = look(shop, step=0.25)
    assert (up["next_multiple"], up["next_height_mm"]) == (2.25, 2250)
    assert up["sentence"].startswith("U01 survived at 2 ×: one step up.")
    accept(shop, struck(2, 2250, "crack"))
    down = look(shop)
    assert (down["step"], down["next_multiple"]) == (0.25, 2)
    assert down["sentence"].startswith("U02 failed at 2.25 ×: one step down.")


def test_another_striker_falls_from_another_height(shop):
    accept(shop, struck(1, 2000))
    # 90 J = m g h with 10 kg: 918 mm
    found = look(shop, step=0.25, striker_kg=Decimal(10))
    assert found["next_height_mm"] == pytest.approx(90 / (10 * 9.80665) * 1000, abs=0.05)


def test_heights_that_were_rounded_stay_on_their_rungs(shop):
    accept(shop, [*struck(1, 2000), *struck(2, 2255, "crack"), *struck(3, 1996)])
    assert look(shop, step=0.25)["next_multiple"] == 2.25


def test_half_the_rims_fail_where_the_reference_says(shop):
    # 30 rims in steps of 5 J: by maximum likelihood half fail at 78.18 J
    case = json.loads((REFERENCE / "staircase_energy.json").read_text())
    run = zip(case["data"]["level"], case["data"]["failed"], strict=True)
    accept(shop, [
        item
        for number, (joules, failed) in enumerate(run, 1)
        for item in struck(number, 25 * joules, "crack" if failed else "none")
    ])  # fmt: skip
    found = look(shop)
    half = found["half_fail"]
    wanted = case["computed_here"]["probit_ml"]["mu"] / 40
    assert half["multiple"] == pytest.approx(wanted, abs=1e-4)
    assert half["lower"] < half["multiple"] < half["upper"]
    assert f"So far half the parts fail at {wanted:.2f} × (95 %: " in found["sentence"]
    assert "from 30 parts" in found["sentence"]
    assert found["step"] == 0.125


def test_a_rim_struck_again_counts_by_its_first_drop_alone(shop):
    accept(shop, struck(1, 2000))
    again = record("drop", serial="U01", test="T-1", protocol="UD", drop_no=2, height_mm=3000,
                   damage="crack", taken_at="2026-03-01T11:00:00")  # fmt: skip
    later = record("drop", serial="U01", test="T-9", protocol="UD", height_mm=3000,
                   damage="crack", taken_at="2026-03-09T11:00:00")  # fmt: skip
    accept(shop, [again, later])
    found = look(shop, step=0.25)
    assert [(row["serial"], row["failed"]) for row in found["results"]] == [("U01", False)]
    assert found["next_multiple"] == 2.25
    assert [(row["test"], row["reason"]) for row in found["left_out"]] == [
        ("T-9", "struck, repaired or returned before this test")
    ]


def test_drops_that_tell_nothing_are_left_out_with_the_reason(shop):
    accept(shop, [
        *struck(1, 2000),
        *struck(2, 2250, "not-examined"),
        *struck(3, 2250, "crack", position_deg=40),
        *struck(4, 2250, "crack", drawn="reject"),
        *struck(5, 2250, "crack", drop_no=2),
    ])  # fmt: skip
    found = look(shop, step=0.25)
    assert [row["serial"] for row in found["results"]] == ["U01"]
    assert [row["reason"] for row in found["left_out"]] == [
        "not examined after its first drop",
        "its first drop fell beside every position",
        "a reject, no part of the lot",
        "its first drop is not on record",
    ]


def test_a_batch_has_a_staircase_of_its_own(shop):
    accept(shop, [*struck(1, 2000, batch="B1"), *struck(2, 3000, batch="B2")])
    assert look(shop, step=0.5, batch="B1")["next_multiple"] == 2.5
    assert look(shop, step=0.5, batch="B2")["next_multiple"] == 3.5
    assert look(shop, step=0.5)["next_multiple"] == 3.5


def test_the_lot_of_a_batch_is_what_is_in_the_shop_and_whole(shop):
    free = [record("receipt", serial=f"F{n}") for n in range(4)]
    accept(shop, [*struck(1, 2000), *free,
                  record("disposition", serial="F1", decision="scrap"),
                  record("disposition", serial="F2", decision="hold"),
                  record("shipment", serial="F3")])  # fmt: skip
    with shop.reading() as connection:
        serials, elsewhere = lot_of(connection, shop.known(connection).catalog, "B1")
    assert serials == ["F0", "F2"]
    assert elsewhere == {"scrapped": 1, "shipped": 1, "struck": 1}


def test_what_cannot_be_told_is_asked_for(shop):
    with pytest.raises(RimqcError, match="no part has been struck by UD yet: give --striker KG"):
        look(shop, start=2)
    with pytest.raises(RimqcError, match="give --start MULTIPLE"):
        look(shop, striker_kg=STRIKER)
    with pytest.raises(RimqcError, match="--staircase UX: not a protocol of the catalog"):
        look(shop, protocol="UX")
    with pytest.raises(RimqcError, match=r"--model D5: not a model of the catalog.*D50"):
        look(shop, model="D5")
    accept(shop, struck(1, 200, "crack"))
    with pytest.raises(RimqcError, match="the step is not known: give --step"):
        look(shop)
    with pytest.raises(RimqcError, match="leaves no drop: give a smaller --step"):
        look(shop, step=0.25)
