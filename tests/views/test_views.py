import threading

import pytest

from qc.errors import RimqcError
from qc.ledger.ledger import Ledger
from qc.views.claim_parts import masses
from qc.views.claims import claims
from qc.views.drift import drift
from qc.views.flags import flags
from qc.views.margins import margins
from qc.views.today import counts
from qc.views.touched import factors, where
from qc.views.trace import trace
from tests.maker import CATALOG, accept, correction, fields, record, take_catalog


@pytest.fixture
def shop(ledger, tmp_path):
    take_catalog(ledger, tmp_path)
    return ledger


def look(ledger, view, *words, **named):
    with ledger.reading() as connection:
        return view(connection, ledger.known(connection).catalog, *words, **named)


def weighed(serial, grams, batch="B1", **more):
    return [record("receipt", serial=serial, batch=batch),
            record("weighing", serial=serial, gross_g=grams, **more)]  # fmt: skip


def claim(ledger, model="D50", stage="rim"):
    return next(r for r in look(ledger, claims) if (r["model"], r["stage"]) == (model, stage))


def test_claims_count_each_part_once_by_the_mean_of_its_weighings(shop):
    again = record("weighing", serial="R1", gross_g=454, taken_at="2026-02-03T10:00:00")
    accept(shop, [*weighed("R1", 450), again, *weighed("R2", 462, "B2")])
    row = claim(shop)
    assert (row["n"], row["batches"], row["least_g"], row["most_g"]) == (2, 2, 452, 462)
    # the standard deviation of 452 and 462 is 10/sqrt(2)
    assert (row["mean_g"], row["sd_g"]) == (457, pytest.approx(7.0710678118654755))
    assert (row["over_share"], row["outside_share"]) == (0.5, 0.5)


def test_a_light_part_is_outside_but_not_over(shop):
    accept(shop, [*weighed("R1", 430), *weighed("R2", 450)])
    row = claim(shop)
    assert (row["over_share"], row["outside_share"]) == (0, 0.5)


def test_suspect_readings_leave_the_claims(shop):
    accept(shop, [*weighed("R1", 450), *weighed("R2", 470, gauge="S2"),
                  record("gauge-check", gauge="S2", reading=503,
                         taken_at="2026-02-03T08:00:00")])  # fmt: skip
    row = claim(shop)
    assert (row["n"], row["batches"], row["most_g"], row["over_share"]) == (1, 1, 450, 0)
    found = look(shop, masses, "D50", "rim")
    assert [(r["serial"], r["suspect"]) for r in found] == [("R1", False), ("R2", True)]


def test_a_claim_without_a_part_is_listed_and_so_is_a_part_without_a_claim(shop):
    accept(shop, [record("receipt", serial="R9", model="R30", batch="B3"),
                  record("weighing", serial="R9", gross_g=390)])  # fmt: skip
    assert claim(shop)["n"] == 0
    row = claim(shop, "R30")
    assert (row["claimed_g"], row["n"], row["supported_claim_g"]) == (None, 1, None)


def test_each_part_is_judged_by_the_claim_of_its_day(shop, tmp_path):
    tighter = CATALOG + (
        '[[claim]]\nmodel = "D50"\nstage = "rim"\nclaimed_g = 440\nover_g = 5\nunder_g = 15\n'
        "from = 2026-02-10\n"
    )
    accept(shop, weighed("R1", 450))
    take_catalog(shop, tmp_path, tighter)
    accept(shop, weighed("R2", 450, taken_at="2026-02-11T10:00:00"))
    assert claim(shop)["over_share"] == 0.5
    found = look(shop, masses, "D50", "rim")
    assert [(r["claimed_g"], r["beyond"]) for r in found] == [(450, ""), (440, "over")]


def test_margins_show_a_part_struck_before_without_counting_it(shop):
    drops = [
        record("drop", test=test, drop_no=n, position_deg=90 * n,
               taken_at=f"2026-02-0{day}T1{n}:00:00")
        for test, day in (("T-1", 3), ("T-2", 4)) for n in (1, 2)
    ]  # fmt: skip
    accept(shop, [record("receipt"), *drops])
    (found,) = look(shop, margins)
    assert [(t["test"], t["marks"]) for t in found["tests"]] == [
        ("T-1", ["off-position"]), ("T-2", ["off-position", "struck-before"]),
    ]  # fmt: skip


def test_suspect_tests_leave_the_margins(shop):
    accept(shop, [record("receipt"), record("drop"),
                  record("gauge-check", gauge="RIG", reading=510,
                         taken_at="2026-02-05T08:00:00")])  # fmt: skip
    assert look(shop, margins) == []
    assert [s["characteristic"] for s in look(shop, drift)] == []


def test_batches_come_in_the_order_of_making_and_then_by_code(shop, tmp_path):
    more = CATALOG + "".join(
        f'[[batch]]\ncode = "{code}"\nmodel = "D50"\nmade_on = {day}\nquantity = 5\n'
        for code, day in (("A9", "2026-01-03"), ("Z1", "2026-01-01"), ("a1", "2026-01-03"))
    )
    take_catalog(shop, tmp_path, more)
    for batch in ("a1", "B2", "A9", "Z1", "B1"):
        accept(shop, weighed(f"R-{batch}", 450, batch))
    (stream,) = [s for s in look(shop, drift) if s["characteristic"] == "bare-mass"]
    assert [b["batch"] for b in stream["batches"]] == ["Z1", "B1", "A9", "B2", "a1"]
    assert stream["signals"] == []


def test_a_value_measured_on_a_batch_counts_as_one_reading_of_it(shop):
    accept(shop, [record("measurement", serial=None, batch="B1", value="6.6")])
    (stream,) = look(shop, drift)
    assert (stream["characteristic"], stream["batches"][0]["mean"]) == ("bore", 6.6)


def test_counts_tell_parts_records_and_open_flags(shop):
    before = look(shop, lambda connection, _: counts(connection))["records"]
    accept(shop, weighed("R1", 470))
    found = look(shop, lambda connection, _: counts(connection))
    assert (found["parts"], found["records"]) == (1, before + 2)
    assert (found["flags"], found["severities"]["major"]) == ({"weight-over-claim": 1}, 1)


STATUSES = {
    "not-received": [record("weighing")],
    "incomplete": weighed("R1", 450),
    "may-leave": [*weighed("R1", 450), record("runout"), record("inspection")],
    "held": [record("receipt"), record("disposition")],
    "in-rework": [record("receipt"), record("disposition", decision="rework")],
    "scrapped": [record("receipt"), record("disposition", decision="scrap")],
    "struck": [record("receipt"), record("drop")],
    "shipped": [record("receipt"), record("shipment")],
    "returned-by-customer": [
        record("receipt"), record("shipment"),
        record("customer-return", taken_at="2026-03-01T10:00:00"),
    ],
}  # fmt: skip


@pytest.mark.parametrize("status", STATUSES)
def test_a_trace_tells_where_the_part_is(shop, status):
    accept(shop, STATUSES[status])
    found = look(shop, trace, "R1")
    assert found["status"] == status
    assert found["may_leave"] == (not found["reasons"])
    if status == "may-leave":
        assert found["may_leave"]
    if status in ("held", "scrapped", "struck", "not-received", "incomplete", "in-rework"):
        assert not found["may_leave"]


def test_a_batch_that_is_held_holds_its_parts_and_its_release_frees_no_part_held_by_name(shop):
    accept(shop, [*weighed("R1", 450), *weighed("R2", 450)])
    for serial in ("R1", "R2"):
        accept(shop, [record("runout", serial=serial), record("inspection", serial=serial)])
    of_batch = {"serial": None, "batch": "B1"}
    accept(shop, [record("disposition", **of_batch), record("disposition", serial="R2")])
    assert [look(shop, trace, s)["status"] for s in ("R1", "R2")] == ["held", "held"]
    accept(shop, [record("disposition", decision="release", taken_at="2026-02-05T10:00:00",
                         **of_batch)])  # fmt: skip
    assert [look(shop, trace, s)["status"] for s in ("R1", "R2")] == ["may-leave", "held"]
    assert [d["decision"] for d in look(shop, trace, "R1")["dispositions"]] == ["hold", "release"]


def test_a_trace_keeps_the_original_of_a_corrected_record(shop):
    slip = record("weighing", gross_g=470)
    mend = correction(slip, replacement=fields("weighing", gross_g=447))
    back = correction(mend, void=True, taken_at="2026-02-11T10:00:00")
    accept(shop, [record("receipt"), slip, mend, back])
    rows = look(shop, trace, "R1")["records"]
    assert [row["kind"] for row in rows] == ["receipt", "weighing", "correction", "correction"]
    assert (rows[1]["gross_g"], rows[1]["standing"]) == (470, "as-recorded")


def test_a_trace_says_which_readings_are_in_doubt(shop):
    accept(shop, [*weighed("R1", 450), record("gauge-check", reading=503,
                                              taken_at="2026-02-05T08:00:00")])  # fmt: skip
    rows = look(shop, trace, "R1")["records"]
    assert [row.get("suspect") for row in rows] == [None, True]


def test_a_part_is_found_by_batch_by_model_and_by_any_factor(shop):
    accept(shop, [*weighed("R1", 450, "B1"), *weighed("R2", 450, "B2")])
    for factor, level, serials in (
        ("batch", "B2", ["R2"]), ("model", "D50", ["R1", "R2"]), ("mould", "M1", ["R1"]),
        ("mould", "M3", []),
    ):  # fmt: skip
        assert [row["serial"] for row in look(shop, where, factor, level)] == serials
    with pytest.raises(RimqcError, match="known: batch, gauge, model, mould, resin_lot"):
        look(shop, where, "colour", "red")
    assert look(shop, lambda _, catalog: factors(catalog))["resin_lot"] == ["R7", "R8"]


def test_flags_come_page_by_page_without_gap_or_overlap(shop):
    accept(shop, [one for n in range(7) for one in weighed(f"R{n}", 470 + n)])
    whole = look(shop, lambda connection, _: flags(connection))
    paged = [
        flag
        for skip in range(0, 9, 3)
        for flag in look(shop, lambda connection, _, s=skip: flags(connection, most=3, skip=s))
    ]
    assert paged == whole
    assert len(whole) == 7


def test_a_reader_sees_one_state_while_records_come_in(db, tmp_path):
    with Ledger(db) as one, Ledger(db) as two:
        take_catalog(one, tmp_path)
        with one.reading() as connection:
            before = counts(connection)
            writer = threading.Thread(target=accept, args=(two, weighed("R1", 470)))
            writer.start()
            writer.join()
            assert counts(connection) == before
        with one.reading() as connection:
            assert counts(connection)["parts"] == 1
