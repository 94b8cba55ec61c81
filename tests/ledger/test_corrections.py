import itertools

import pytest

from qc.ledger.ledger import Ledger
from qc.ledger.rebuild import rebuild
from tests.maker import (
    accept,
    correction,
    fields,
    flags_of,
    follows,
    named,
    record,
    take_catalog,
    undone,
)

# each is held against a rebuild
pytestmark = pytest.mark.owner


@pytest.fixture
def shop(ledger, tmp_path):
    take_catalog(ledger, tmp_path)
    accept(ledger, [record("receipt"), record("receipt", serial="R2")])
    return ledger


def quantities(ledger, serial="R1"):
    with ledger.reading() as connection:
        rows = follows(connection)["quantity"]
        rebuilt = follows(connection)
    with ledger.writing() as connection:
        rebuild(connection)
        assert follows(connection) == rebuilt
    return {row[1:3]: row[6] for row in rows if row[0] == serial}


def rim_mass(ledger, serial="R1"):
    return quantities(ledger, serial).get(("rim", "bare-mass"))


HEAVY = record("weighing", gross_g=470)


def closed_at(flags, name="weight-over-claim"):
    (flag,) = [flag for flag in flags if flag["flag"] == name]
    return flag["raised_at"], flag.get("closed_at"), flag["state"]


def test_a_voided_weighing_leaves_no_mass_and_its_flag_stays_in_the_history(shop):
    accept(shop, [HEAVY])
    assert rim_mass(shop) == 470
    accept(shop, [correction(HEAVY, void=True)])
    assert rim_mass(shop) is None
    assert closed_at(flags_of(shop)) == (
        "2026-02-02T10:00:00Z", "2026-02-10T09:00:00Z", "closed",
    )  # fmt: skip


def test_a_replacement_counts_from_its_own_time_on(shop):
    accept(shop, [HEAVY])
    accept(shop, [correction(HEAVY, replacement=fields("weighing", gross_g=447))])
    assert rim_mass(shop) == 447
    assert closed_at(flags_of(shop))[1:] == ("2026-02-10T09:00:00Z", "closed")


def test_a_replacement_may_raise_what_the_slip_had_hidden(shop):
    light = record("weighing", gross_g=450)
    accept(shop, [light, correction(light, replacement=fields("weighing", gross_g=470))])
    assert closed_at(flags_of(shop)) == ("2026-02-10T09:00:00Z", None, "open")


def test_a_record_moved_to_the_right_serial_leaves_the_wrong_one(shop):
    accept(shop, [HEAVY])
    accept(shop, [correction(HEAVY, replacement=fields("weighing", serial="R2", gross_g=470))])
    assert (rim_mass(shop, "R1"), rim_mass(shop, "R2")) == (None, 470)
    assert closed_at(flags_of(shop, serial="R1"))[2] == "closed"
    assert closed_at(flags_of(shop, serial="R2")) == ("2026-02-10T09:00:00Z", None, "open")


def test_a_record_moved_on_twice_leaves_a_closed_flag_where_it_stood_between(shop):
    first = correction(HEAVY, replacement=fields("weighing", serial="R2", gross_g=470))
    second = correction(
        HEAVY, taken_at="2026-02-11T09:00:00",
        replacement=fields("weighing", serial="R3", gross_g=470),
    )  # fmt: skip
    accept(shop, [HEAVY])
    accept(shop, [first])
    accept(shop, [second, record("receipt", serial="R3")])
    assert closed_at(flags_of(shop, serial="R2")) == (
        "2026-02-10T09:00:00Z", "2026-02-11T09:00:00Z", "closed",
    )  # fmt: skip
    assert (rim_mass(shop, "R2"), rim_mass(shop, "R3")) == (None, 470)


def test_a_serial_that_never_was_is_forgotten_with_the_slip_that_made_it(shop):
    slip = record("weighing", serial="R11")
    away = correction(
        slip, taken_at="2026-02-02T10:00:00", replacement=fields("weighing", serial="R1")
    )
    accept(shop, [slip])
    assert named(flags_of(shop, serial="R11")) == [("not-received", "open")]
    accept(shop, [away])
    assert named(flags_of(shop, serial="R11")) == []
    assert rim_mass(shop) == 450


def test_a_reading_moved_to_another_gauge_leaves_the_doubt_of_the_first(shop):
    off = record("gauge-check", reading=503, taken_at="2026-02-05T08:00:00")
    accept(shop, [record("weighing"), off])
    assert named(flags_of(shop)) == [("gauge-suspect", "open")]
    accept(shop, [correction(record("weighing"), replacement=fields("weighing", gauge="S2"))])
    assert [f["state"] for f in flags_of(shop, gauge="S1", flag="gauge-suspect")] in (
        [],
        ["closed"],
    )
    with shop.reading() as connection:
        assert [row[-4:] for row in follows(connection)["suspect"]] == []


def test_a_reading_moved_to_a_gauge_in_doubt_becomes_suspect(shop):
    off = record("gauge-check", reading=503, taken_at="2026-02-05T08:00:00")
    on_s2 = record("weighing", gauge="S2")
    accept(shop, [on_s2, off])
    assert flags_of(shop) == []
    accept(shop, [correction(on_s2, replacement=fields("weighing", gauge="S1"))])
    assert named(flags_of(shop)) == [("gauge-suspect", "open")]


def test_an_overdue_gauge_is_judged_by_the_gauge_that_was_really_used(shop):
    late = record("weighing", gauge="S2", taken_at="2026-02-21T10:00:00")
    accept(shop, [late])
    assert named(flags_of(shop)) == [("gauge-overdue", "open")]
    moved = fields("weighing", gauge="S1", taken_at="2026-02-21T10:00:00")
    accept(shop, [correction(late, taken_at="2026-02-22T10:00:00", replacement=moved)])
    assert named(flags_of(shop)) == []


def test_a_correction_can_be_corrected_and_voided(shop):
    wrong = correction(HEAVY, replacement=fields("weighing", gross_g=400))
    accept(shop, [HEAVY, wrong])
    assert rim_mass(shop) == 400
    accept(shop, [correction(wrong, taken_at="2026-02-11T09:00:00", void=True)])
    assert rim_mass(shop) == 470
    assert named(flags_of(shop)) == [
        ("weight-over-claim", "closed"), ("weight-over-claim", "open"),
        ("weight-under-claim", "closed"),
    ]  # fmt: skip


def test_a_corrected_correction_says_what_its_replacement_says(shop):
    wrong = correction(HEAVY, replacement=fields("weighing", gross_g=400))
    better = fields("correction", of=HEAVY.record_id, replacement=fields("weighing", gross_g=455))
    accept(shop, [HEAVY, wrong, correction(wrong, taken_at="2026-02-11T09:00:00",
                                           replacement=better)])  # fmt: skip
    assert rim_mass(shop) == 455


def test_a_correction_that_named_the_wrong_record_is_turned_to_the_right_one(shop):
    other = record("weighing", serial="R2", gross_g=470)
    wrong = correction(HEAVY, void=True)
    turned = fields("correction", of=other.record_id, void=True)
    orders = itertools.permutations(
        [HEAVY, other, wrong, correction(wrong, taken_at="2026-02-11T09:00:00",
                                         replacement=turned)]
    )  # fmt: skip
    for record_now in next(orders):
        accept(shop, [record_now])
    assert (rim_mass(shop, "R1"), rim_mass(shop, "R2")) == (470, None)


def test_of_two_corrections_the_newer_one_decides_whichever_came_first(shop):
    old = correction(HEAVY, replacement=fields("weighing", gross_g=455))
    new = correction(
        HEAVY, taken_at="2026-02-12T09:00:00", replacement=fields("weighing", gross_g=440)
    )
    accept(shop, [HEAVY])
    accept(shop, [new])
    accept(shop, [old])
    assert rim_mass(shop) == 440


def test_of_two_corrections_with_one_time_the_one_that_came_later_decides(shop):
    first = correction(HEAVY, replacement=fields("weighing", gross_g=455))
    second = correction(HEAVY, replacement=fields("weighing", gross_g=440))
    accept(shop, [HEAVY, first, second])
    assert rim_mass(shop) == 440


def test_a_correction_may_arrive_before_what_it_corrects(shop):
    accept(shop, [correction(HEAVY, replacement=fields("weighing", gross_g=447))])
    assert flags_of(shop) == []
    accept(shop, [HEAVY])
    assert rim_mass(shop) == 447
    assert closed_at(flags_of(shop))[1:] == ("2026-02-10T09:00:00Z", "closed")


def test_no_order_of_arrival_changes_what_a_chain_of_corrections_says(ledger, tmp_path):
    take_catalog(ledger, tmp_path)
    first = correction(HEAVY, replacement=fields("weighing", serial="R2", gross_g=400))
    second = correction(first, taken_at="2026-02-11T09:00:00", void=True)
    third = correction(
        HEAVY, taken_at="2026-02-12T09:00:00", replacement=fields("weighing", gross_g=444)
    )
    records = [record("receipt"), HEAVY, first, second, third]
    found = []
    for order in list(itertools.permutations(records))[::5]:
        with undone(ledger) as connection:
            for one in order:
                accept(connection, [one], ledger)
            found.append(follows(connection))
    assert all(one == found[0] for one in found)
    assert [row[6] for row in found[0]["quantity"]] == [444]


def test_a_suspect_reading_accepted_with_a_reason_counts_again(shop):
    weighing = record("weighing")
    accept(shop, [weighing, record("gauge-check", reading=503, taken_at="2026-02-05T08:00:00")])
    with shop.reading() as connection:
        assert [row[5] for row in follows(connection)["summary"]] == []
    accept(
        shop, [correction(weighing, accept=True, reason="the offset is far below the tolerance")]
    )
    assert named(flags_of(shop)) == [("gauge-suspect", "closed")]
    with shop.reading() as connection:
        assert [row[8] for row in follows(connection)["summary"]] == [1]
    assert rim_mass(shop) == 450


def test_a_check_that_was_mistyped_takes_its_doubt_back(shop):
    off = record("gauge-check", reading=503, taken_at="2026-02-05T08:00:00")
    accept(shop, [record("weighing"), off])
    accept(
        shop,
        [correction(off, replacement=fields("gauge-check", taken_at="2026-02-05T08:00:00"))],
    )
    assert [f for f in flags_of(shop) if f["state"] == "open"] == []
    with shop.reading() as connection:
        assert follows(connection)["suspect"] == []


def test_a_check_moved_to_another_gauge_casts_its_doubt_there(shop):
    off = record("gauge-check", reading=503, taken_at="2026-02-05T08:00:00")
    accept(shop, [record("weighing"), record("weighing", serial="R2", gauge="S2"), off])
    moved = fields("gauge-check", gauge="S2", reading=503, taken_at="2026-02-05T08:00:00")
    accept(shop, [correction(off, replacement=moved)])
    still = [(f["gauge"], f["flag"]) for f in flags_of(shop) if f["state"] == "open"]
    assert still == [("S2", "gauge-suspect")]


def test_two_references_read_at_one_moment_may_both_be_off(shop):
    checks = [
        record("gauge-check", reference=f"{n} g", nominal=n, reading=n + off, limit=1,
               taken_at="2026-02-05T08:00:00")
        for n, off in ((200, 2), (500, 3))
    ]  # fmt: skip
    accept(shop, [record("weighing"), *checks])
    (flag,) = flags_of(shop)
    assert (flag["flag"], flag["value"]) == ("gauge-suspect", 3)


def test_a_wheel_that_left_its_pair_takes_the_mass_of_the_pair_away(shop):
    pair = [
        record("weighing", stage="front-wheel", gross_g=820),
        record("build", stage="front-wheel", pair="P1"),
        record("weighing", serial="R2", stage="rear-wheel", gross_g=900),
        record("build", serial="R2", stage="rear-wheel", pair="P1"),
    ]
    accept(shop, pair)
    assert quantities(shop)["pair", "bare-mass"] == 1720
    accept(shop, [correction(pair[1], void=True)])
    assert ("pair", "bare-mass") not in quantities(shop)


def test_a_critical_reading_at_intake_holds_the_part(shop):
    accept(shop, [record("measurement", value="7.5")])
    accept(shop, [record("weighing")])
    with shop.reading() as connection:
        (standing,) = [row[3] for row in follows(connection)["part"] if row[0] == "R1"]
    assert '"critical":["measurement-out"]' in standing


@pytest.mark.parametrize("size", [1e12, 9e14])
def test_a_value_far_beyond_sense_is_judged_like_any_other(shop, size):
    accept(shop, [record("measurement", value=size),
                  record("balance", residual_g=size, radius_mm=size)])  # fmt: skip
    assert ("measurement-out", "open") in named(flags_of(shop))
    assert quantities(shop)["", "bore"] == size


def test_a_program_that_knows_of_no_correction_hears_of_the_first_one_from_another(shop, db):
    with Ledger(db) as elsewhere:
        accept(elsewhere, [HEAVY])
        accept(shop, [correction(HEAVY, void=True)])
        accept(elsewhere, [record("runout")])
    assert rim_mass(shop) is None


def test_of_a_correction_that_comes_first_another_program_knows_when_its_record_comes(shop, db):
    with Ledger(db) as elsewhere:
        accept(elsewhere, [record("runout")])
        accept(shop, [correction(HEAVY, void=True)])
        accept(elsewhere, [HEAVY])
    assert rim_mass(shop) is None
