"""The turn that the parts of a batch share, from records to words."""

import numpy as np
import pytest
from sqlalchemy import select

from qc.figures import shared_turn as figure
from qc.figures.look import COLOURS
from qc.ledger.tables import Turn
from qc.views.shared_turn import shared_turns
from tests.maker import accept, record, take_catalog

ANGLES = np.radians(np.arange(24) * 15)


def turn(serial: str, bump_mm: float, seed: int, **more):
    random = np.random.default_rng(seed)
    readings = 0.1 * np.cos(ANGLES - random.uniform(0, 6)) + random.normal(0, 0.01, 24)
    readings[12] += bump_mm
    return record(
        "runout", serial=serial, tir_mm=None, readings_mm=[f"{x:.3f}" for x in readings], **more
    )


@pytest.fixture
def spun(ledger, tmp_path):
    take_catalog(ledger, tmp_path)
    serials = [f"R{n}" for n in range(10)]
    accept(ledger, [record("receipt", serial=serial) for serial in serials])
    accept(ledger, [turn(serial, 0.12, n) for n, serial in enumerate(serials)])
    return ledger


def seen(ledger):
    with ledger.reading() as connection:
        catalog = ledger.known(connection).catalog
        return shared_turns(connection, catalog, model="D50", stage="rim", direction="lateral")


def kept(ledger):
    with ledger.reading() as connection:
        return connection.execute(select(Turn.serial).order_by(Turn.serial)).scalars().all()


def test_a_bump_that_all_rims_have_is_said_with_its_place(spun):
    (row,) = seen(spun)
    assert (row["turns"], row["there"]) == (10, True)
    assert row["highest_deg"] == pytest.approx(180, abs=15)
    said = figure.title([row], "D50", "rim", "lateral")
    assert "share 0.1" in said
    assert "180° from the valve hole" in said


def test_a_turn_that_was_taken_back_is_not_among_them(spun):
    lost = turn("R0", 0.12, 99)
    accept(spun, [lost])
    assert len(kept(spun)) == 10  # the newest turn of a part stands for it
    accept(spun, [record("correction", of=lost.record_id, void=True, reason="wrong rim")])
    assert len(kept(spun)) == 10
    assert seen(spun)[0]["turns"] == 10


def test_four_rims_say_nothing(ledger, tmp_path):
    take_catalog(ledger, tmp_path)
    for n in range(4):
        accept(ledger, [record("receipt", serial=f"R{n}"), turn(f"R{n}", 0.1, n)])
    assert seen(ledger) == []


@pytest.mark.parametrize("look", COLOURS)
def test_the_newest_batch_is_drawn_strongest_and_all_are_named(spun, look):
    rows = seen(spun) * 2
    drawn = figure.figure(rows, "D50", "rim", "lateral", look)
    widths = [line.line.width for line in drawn.data]
    assert widths[0] > widths[1]
    assert len({line.line.dash for line in drawn.data}) == 2
    assert "newest first" in figure.alt_text(rows, "D50", "rim", "lateral")
