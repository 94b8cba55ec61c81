"""One part's life, and what batches share, as stretches."""

import pytest

from qc.views.factor_runs import factor_runs
from qc.views.life import life
from qc.views.trace import trace
from tests.maker import accept, correction, record, take_catalog


@pytest.fixture
def lived(ledger, tmp_path):
    take_catalog(ledger, tmp_path)
    heavy = record("weighing", gross_g=600, taken_at="2026-06-01T10:00:00")
    accept(ledger, [
        record("receipt"), heavy,
        correction(heavy, taken_at="2026-06-03T10:00:00", void=True),
        record("drop", drop_no=1, taken_at="2026-06-04T10:00:00"),
        record("drop", drop_no=2, position_deg=90, taken_at="2026-06-04T10:09:00"),
        record("disposition", serial=None, batch="B1", taken_at="2026-06-05T10:00:00"),
    ])  # fmt: skip
    with ledger.reading() as connection:
        return life(trace(connection, ledger.known(connection).catalog, "R1"), "Europe/Lisbon")


def test_events_stand_in_order_each_on_its_line_and_a_void_record_is_no_event(lived):
    assert [(e["lane"], e["what"]) for e in lived["events"]] == [
        ("came in", "received: model D50, batch B1"),
        ("struck", "test T-1: 2 drops"),
        ("decided", "batch B1: hold, look again"),
    ]


def test_drops_of_one_test_are_one_event_by_the_clock_of_the_site(lived):
    test = lived["events"][1]
    assert (test["at"], test["until"]) == ("2026-06-04T10:00:00", "2026-06-04T10:09:00")


def test_flags_say_when_they_were_raised_and_closed(lived):
    over = next(flag for flag in lived["flags"] if flag["name"] == "weight over claim")
    assert (over["raised_at"][:10], over["closed_at"][:10]) == ("2026-06-01", "2026-06-03")


def test_factors_that_vary_are_stretches_and_a_counter_is_left_out(ledger, tmp_path):
    text = "".join(
        f'[[batch]]\ncode = "X{n}"\nmodel = "D50"\nmade_on = 2026-02-0{n}\nquantity = 1\n'
        f'mould = "M1"\nresin_lot = "R{1 + n // 4}"\nshots = {n}\ncrew = "{"ab"[n % 2]}"\n'
        for n in range(1, 7)
    )
    take_catalog(ledger, tmp_path, '[site]\ncode = "HQ"\ntime_zone = "Europe/Lisbon"\n' + text)
    with ledger.reading() as connection:
        catalog = ledger.known(connection).catalog
    rows = factor_runs(catalog, [f"X{n}" for n in range(1, 7)])
    assert [(row["factor"], len(row["runs"])) for row in rows] == [("resin_lot", 2), ("crew", 6)]
    assert rows[0]["runs"] == [
        {"level": "R1", "start": 0, "end": 2},
        {"level": "R2", "start": 3, "end": 5},
    ]
