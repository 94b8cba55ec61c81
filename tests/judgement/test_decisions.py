"""Flags that open, close and open again; decisions; whether a part may leave."""

from decimal import Decimal
from typing import Any

import pytest

from qc.judgement.readings import Doubt, Held
from qc.judgement.standing import (
    Failure,
    Standing,
    reasons_against,
    status,
    stopped_by_failures,
)
from tests.judgement.bench import (
    at,
    catalog,
    judge,
    judge_whole_batch,
    mended,
    open_flags,
    quantity,
    record,
    the_flag,
)

LIMITS = """
[[plan]]
model = "D50"
stage = "rim"
requires = ["weighing", "inspection", "width"]
[[plan]]
model = "D50"
stage = "front-wheel"
requires = ["runout-lateral", "runout-radial", "balance", "receipt"]
[[limit]]
characteristic = "width"
upper = 22
[[finding_limit]]
zone = "hook"
defect = "crack"
size_mm = 1
severity = "critical"
[[protocol]]
code = "P1"
stage = "rim"
standard_energy_j = 39.2266
required_multiple = 1
method = "repeat"
positions_deg = [0]
fails_at = "crack"
"""
SHOP = catalog(LIMITS)


def weighed(when, gross, **more):
    return record("weighing", when, gross_g=gross, **more)


def decided(when, decision, **more):
    return record("disposition", when, decision=decision, **more)


def looked(when, **more):
    return record("inspection", when, **more)


def width(when, value=20, **more):
    return record("measurement", when, value=value, **more)


def cracked(when):
    return record("finding", when, defect="crack", size_mm=3)


GOOD = (weighed(2, 820), looked(2), width(2))


# ---- flags in time ----


def test_a_flag_is_raised_when_the_reading_was_taken_and_closed_when_a_newer_one_is_good():
    judged = judge(SHOP, width(2, 25), width(4, 20))
    flag = the_flag(judged, "measurement-out")
    assert (flag.raised_at, flag.closed_at) == (at(2), at(4))
    assert flag.closed_by == "a newer reading or a correction"


def test_a_flag_that_closed_opens_again_as_a_new_one():
    judged = judge(SHOP, width(2, 25), width(4, 20), width(6, 26))
    flags = [f for f in judged.flags if f.verdict.flag == "measurement-out"]
    assert [(f.raised_at, f.closed_at) for f in flags] == [(at(2), at(4)), (at(6), None)]


def test_a_flag_that_stands_keeps_its_time_and_takes_the_newest_value():
    flag = the_flag(judge(SHOP, width(2, 25), width(4, 26)), "measurement-out")
    assert (flag.raised_at, flag.verdict.value) == (at(2), 26)


def test_what_arrives_late_counts_from_when_it_was_taken():
    ordered = [width(2, 25), width(4, 20), weighed(3, 840)]
    judged = judge(SHOP, *reversed(ordered))
    assert judged == judge(SHOP, *ordered)


def test_readings_of_one_moment_are_one_reading():
    judged = judge(SHOP, weighed(2, 840), weighed(2, 810, repeat=2))
    assert judged.flags == []


def test_a_reading_that_was_voided_closes_its_flag_when_that_was_said():
    judged = judge(SHOP, mended(weighed(2, 840), 5, None))
    flag = the_flag(judged, "weight-over-claim")
    assert (flag.raised_at, flag.closed_at) == (at(2), at(5))
    assert judged.quantities == []


def test_a_reading_that_was_mended_opens_its_flag_when_that_was_said():
    judged = judge(SHOP, mended(weighed(2, 820), 5, weighed(2, 840)))
    assert the_flag(judged, "weight-over-claim").raised_at == at(5)
    assert quantity(judged, "bare-mass").value == 840


def test_a_correction_dated_before_what_it_mends_holds_from_the_start():
    judged = judge(SHOP, mended(weighed(4, 840), 2, None))
    assert judged.flags == []


def test_a_record_mended_to_another_part_leaves_this_one():
    judged = judge(SHOP, mended(weighed(2, 840), 5, weighed(2, 840, serial="R-2")))
    assert the_flag(judged, "weight-over-claim").closed_at == at(5)


# ---- not received ----


def test_readings_before_any_receipt_raise_one_flag_and_no_other():
    judged = judge(SHOP, weighed(2, 999), cracked(2), received=False)
    assert open_flags(judged) == ["not-received"]
    assert the_flag(judged, "not-received").verdict.severity == "minor"
    assert (judged.model, judged.quantities) == (None, [])


def test_they_are_judged_when_the_receipt_comes():
    receipt = record("receipt", 5)
    judged = judge(SHOP, weighed(2, 840), receipt, received=False)
    late = the_flag(judged, "not-received")
    assert (late.raised_at, late.closed_at) == (at(2), at(5))
    assert the_flag(judged, "weight-over-claim").raised_at == at(5)


@pytest.mark.parametrize("first", ["0", "f"])
def test_a_receipt_of_the_same_moment_comes_before_the_reading(first):
    receipt = record("receipt", 5, record_id=f"{first}0000000-0000-4000-8000-000000000000")
    judged = judge(SHOP, weighed(5, 840), receipt, received=False)
    assert [f.verdict.flag for f in judged.flags] == ["weight-over-claim"]


def test_the_newest_receipt_says_what_a_part_is():
    judged = judge(SHOP, record("receipt", 3, batch="B2"))
    assert (judged.model, judged.batch) == ("D50", "B2")


def test_a_part_that_nothing_was_measured_of_is_not_waited_for():
    assert judge(SHOP, decided(2, "hold"), received=False).flags == []


# ---- decisions close flags ----


@pytest.mark.parametrize(
    "decision", ["release", "regrade", "concession", "scrap", "return-to-supplier"]
)
def test_a_decision_closes_what_is_open(decision):
    more = {"grade": "B"} if decision == "regrade" else {}
    judged = judge(SHOP, weighed(2, 840), decided(3, decision, **more))
    flag = the_flag(judged, "weight-over-claim")
    assert (flag.closed_at, flag.closed_by) == (at(3), decision)


@pytest.mark.parametrize("decision", ["hold", "rework", "repair"])
def test_other_decisions_close_nothing(decision):
    assert open_flags(judge(SHOP, weighed(2, 840), decided(3, decision))) == ["weight-over-claim"]


def test_a_release_does_not_close_what_is_critical():
    judged = judge(SHOP, cracked(2), weighed(2, 840), decided(3, "release"))
    assert open_flags(judged) == ["finding"]
    assert judged.standing.critical == ("finding",)
    assert open_flags(judge(SHOP, cracked(2), decided(3, "concession"))) == []


def test_what_was_settled_stays_closed_until_a_new_reading_says_it_again():
    settled = judge(SHOP, weighed(2, 840), decided(3, "release"), width(4))
    assert open_flags(settled) == []
    again = judge(SHOP, weighed(2, 840), decided(3, "release"), weighed(4, 841))
    assert [f.raised_at for f in again.flags if f.closed_at is None] == [at(4)]


def test_what_was_settled_is_not_opened_again_by_a_harmless_reading_beside_it():
    harmless = record("finding", 4, defect="crack", size_mm="0.5")
    judged = judge(SHOP, cracked(2), decided(3, "concession"), harmless)
    assert open_flags(judged) == []
    assert open_flags(judge(SHOP, cracked(2), decided(3, "concession"), cracked(4))) == ["finding"]


def test_a_decision_closes_only_what_was_open_then():
    judged = judge(SHOP, decided(2, "release"), weighed(3, 840))
    assert open_flags(judged) == ["weight-over-claim"]


@pytest.mark.parametrize("first", ["0", "f"])
def test_a_decision_of_the_same_moment_comes_after_the_reading(first):
    decision = decided(3, "release", record_id=f"{first}0000000-0000-4000-8000-000000000000")
    assert open_flags(judge(SHOP, weighed(3, 840), decision)) == []


def test_a_decision_that_was_voided_was_never_taken():
    judged = judge(SHOP, weighed(2, 840), mended(decided(3, "release"), 9, None))
    assert open_flags(judged) == ["weight-over-claim"]


def test_decisions_of_one_moment_do_not_depend_on_arrival():
    hold, release = decided(3, "hold"), decided(3, "release")
    assert judge(SHOP, hold, release).standing == judge(SHOP, release, hold).standing


# ---- rework ----


def test_after_a_rework_only_new_weighings_make_the_mass():
    judged = judge(SHOP, weighed(2, 840), decided(3, "rework"), weighed(4, 822), weighed(5, 823))
    assert float(quantity(judged, "bare-mass").value) == 822.5


def test_after_a_rework_a_good_reading_closes_no_flag_that_was_open():
    history = (weighed(2, 840), decided(3, "rework"), weighed(4, 822))
    assert open_flags(judge(SHOP, *history)) == ["weight-over-claim"]


def test_after_a_rework_only_a_release_that_follows_a_new_inspection_closes():
    history = [weighed(2, 840), looked(2), decided(3, "rework"), weighed(4, 822)]
    without = judge(SHOP, *history, decided(6, "release"))
    assert open_flags(without) == ["weight-over-claim"]
    assert without.standing.rework
    too_late = judge(SHOP, *history, decided(6, "release"), looked(7))
    assert open_flags(too_late) == ["weight-over-claim"]
    after = judge(SHOP, *history, looked(5), decided(6, "release"))
    assert open_flags(after) == []
    assert not after.standing.rework
    assert the_flag(after, "weight-over-claim").closed_at == at(6)


def test_a_flag_raised_after_the_rework_closes_as_usual():
    judged = judge(SHOP, decided(3, "rework"), width(4, 25), width(5, 20))
    assert open_flags(judged) == []


def test_a_second_rework_wants_a_second_inspection():
    history = [decided(2, "rework"), looked(3), decided(4, "release"), decided(5, "rework")]
    assert judge(SHOP, *history, decided(6, "release")).standing.rework
    assert not judge(SHOP, *history, looked(6), decided(7, "release")).standing.rework


def test_after_a_rework_the_plan_wants_a_new_weighing_and_a_new_inspection():
    judged = judge(SHOP, *GOOD, decided(3, "rework"))
    assert judged.standing.missing == ("weighing", "inspection")
    again = judge(SHOP, *GOOD, decided(3, "rework"), weighed(4, 820), looked(4))
    assert again.standing.missing == ()


# ---- whether a part may leave ----


def against(*history: Any, batch: tuple[Any, ...] = (), received: bool = True) -> list[str]:
    part = judge(SHOP, *history, received=received)
    of_batch = judge_whole_batch(SHOP, *batch).standing
    return reasons_against(part.standing, of_batch, part.model is not None)


def state(*history: Any, batch: tuple[Any, ...] = (), received: bool = True) -> str:
    part = judge(SHOP, *history, received=received)
    of_batch = judge_whole_batch(SHOP, *batch).standing
    return status(part.standing, of_batch, part.model is not None)


def of_batch(when, decision):
    return decided(when, decision, batch="B1", serial=None)


def test_a_part_with_all_that_its_plan_wants_may_leave():
    assert against(*GOOD) == []
    assert state(*GOOD) == "may-leave"


@pytest.mark.parametrize(
    ("left_out", "missing"), [(0, "weighing"), (1, "inspection"), (2, "width")]
)
def test_what_the_plan_wants_is_named_where_it_is_missing(left_out, missing):
    history = [item for n, item in enumerate(GOOD) if n != left_out]
    assert against(*history) == [f"missing: {missing}"]
    assert state(*history) == "incomplete"


def test_a_part_without_any_reading_wants_everything_of_its_first_plan():
    assert judge(SHOP).standing.missing == ("weighing", "inspection", "width")


def test_a_wheel_wants_what_the_rim_wanted_and_its_own():
    judged = judge(SHOP, weighed(2, 820), record("runout", 5, stage="front-wheel", tir_mm=0))
    assert judged.standing.missing == (
        "inspection (rim)", "width (rim)", "runout-radial", "balance",
    )  # fmt: skip


def test_a_part_first_seen_as_a_wheel_is_not_asked_for_its_rim():
    judged = judge(SHOP, record("runout", 5, stage="front-wheel", tir_mm=0))
    assert judged.standing.missing == ("runout-radial", "balance")


def test_a_voided_reading_is_missing():
    assert judge(SHOP, mended(weighed(2, 820), 5, None), *GOOD[1:]).standing.missing == (
        "weighing",
    )


def test_a_hold_by_name_holds_until_a_release():
    assert against(*GOOD, decided(3, "hold")) == ["held by name: as agreed"]
    assert state(*GOOD, decided(3, "hold")) == "held"
    assert against(*GOOD, decided(3, "hold"), decided(4, "release")) == []
    assert against(*GOOD, decided(3, "release"), decided(4, "hold")) != []


def test_a_held_batch_holds_its_parts():
    assert against(*GOOD, batch=(of_batch(3, "hold"),)) == ["its batch is held: as agreed"]
    assert state(*GOOD, batch=(of_batch(3, "hold"),)) == "held"
    assert against(*GOOD, batch=(of_batch(3, "hold"), of_batch(4, "release"))) == []


def test_releasing_a_batch_frees_no_part_held_by_name():
    batch = (of_batch(3, "hold"), of_batch(5, "release"))
    assert against(*GOOD, decided(2, "hold"), batch=batch) == ["held by name: as agreed"]


def test_releasing_a_part_does_not_free_it_from_its_batch_s_hold():
    assert against(*GOOD, decided(4, "release"), batch=(of_batch(3, "hold"),)) == [
        "its batch is held: as agreed"
    ]


def test_an_open_critical_flag_holds_the_part_at_once():
    assert against(*GOOD, cracked(3)) == ["critical flag open: finding"]
    assert state(*GOOD, cracked(3)) == "held"
    assert state(*GOOD, cracked(3), decided(4, "release")) == "held"


def test_an_open_major_flag_is_no_hold():
    assert against(*GOOD, width(3, 25)) == []


def test_a_struck_part_can_never_be_released():
    drop = record("drop", 3, drop_no=1)
    for history in ((drop,), (drop, decided(4, "release")), (drop, decided(4, "concession"))):
        assert any("struck" in reason for reason in against(*GOOD, *history))
        assert state(*GOOD, *history) == "struck"


def test_a_release_of_a_struck_part_settles_nothing():
    judged = judge(SHOP, weighed(2, 840), record("drop", 3, drop_no=1), decided(4, "release"))
    assert "weight-over-claim" in open_flags(judged)


def test_a_drop_that_was_recorded_by_mistake_strikes_nothing():
    assert state(*GOOD, mended(record("drop", 3, drop_no=1), 5, None)) == "may-leave"


def test_a_repair_wants_a_concession():
    assert against(*GOOD, decided(3, "repair")) == ["repaired: it wants a concession"]
    assert against(*GOOD, decided(3, "repair"), decided(4, "release")) != []
    assert against(*GOOD, decided(3, "repair"), decided(4, "concession")) == []
    assert state(*GOOD, decided(3, "repair")) == "in-rework"


@pytest.mark.parametrize(
    ("decision", "word"), [("scrap", "scrapped"), ("return-to-supplier", "returned-to-supplier")]
)
def test_a_scrap_is_undone_only_by_a_correction(decision, word):
    gone = decided(3, decision)
    later = (decided(4, "release"), decided(5, "concession"))
    assert state(*GOOD, gone, *later) == word
    assert against(*GOOD, gone, *later) != []
    assert state(*GOOD, mended(gone, 6, None), *later) == "may-leave"


def test_after_a_scrap_no_decision_settles_a_flag():
    judged = judge(
        SHOP, weighed(2, 820), decided(3, "scrap"), weighed(4, 860), decided(5, "release")
    )
    assert open_flags(judged) == ["weight-over-claim"]


def test_a_scrapped_batch_scraps_its_parts():
    assert state(*GOOD, batch=(of_batch(3, "scrap"),)) == "scrapped"
    assert against(*GOOD, batch=(of_batch(3, "scrap"),)) != []


def test_a_part_in_rework_may_not_leave():
    history = (*GOOD, decided(3, "rework"), weighed(4, 820), looked(4))
    assert against(*history) == ["in rework: it wants a new inspection, then a release"]
    assert state(*history) == "in-rework"
    assert against(*history, decided(5, "release")) == []


def test_a_part_that_was_not_received_may_not_leave():
    assert against(*GOOD, received=False) == ["not received"]
    assert state(*GOOD, received=False) == "not-received"


def test_a_shipped_part_is_gone_until_it_comes_back():
    shipped, back = record("shipment", 5), record("customer-return", 9)
    assert state(*GOOD, shipped) == "shipped"
    assert state(*GOOD, shipped, back) == "returned-by-customer"
    standing = judge(SHOP, shipped, back).standing
    assert (standing.order, standing.to) == ("10", "K-7")


def test_a_regrade_gives_the_grade():
    assert judge(SHOP, decided(3, "regrade", grade="B")).standing.grade == "B"


def test_every_reason_is_named_at_once():
    part = Standing(held="odd sound", repair=True, missing=("weighing",), critical=("finding",))
    batch = Standing(held="resin")
    assert reasons_against(part, batch, received=True) == [
        "held by name: odd sound",
        "its batch is held: resin",
        "repaired: it wants a concession",
        "missing: weighing",
        "critical flag open: finding",
    ]


# ---- order never matters ----


def test_the_order_of_a_whole_history_never_matters():
    doubts = {"S1": [Doubt(at(5), at(2, 12), at(6), Decimal(1), Decimal("0.5"))]}
    history: list[Any] = [
        weighed(2, 840), weighed(3, 842), weighed(8, 820), width(2, 25), width(4, 20), cracked(5),
        looked(6), decided(6, "rework"), looked(7), decided(9, "release"), decided(9, "hold"),
        mended(weighed(4, 999), 7, None), record("shipment", 10),
        record("shipment", 10, order="11"),
    ]  # fmt: skip
    held = [item if isinstance(item, Held) else Held(item) for item in history]
    expected = judge(SHOP, *held, doubts=doubts)
    for shift in range(1, len(held)):
        shuffled = [*held[shift:], *reversed(held[:shift])]
        again = judge(SHOP, *shuffled, doubts=doubts)
        assert again.flags == expected.flags
        assert again.standing == expected.standing
        assert again.quantities == expected.quantities
        assert sorted(again.suspects) == sorted(expected.suspects)


# ---- a failure at the standard ----


def whole_batch(*decisions, failures=()):
    held = judge_whole_batch(SHOP, *decisions)
    return stopped_by_failures(held.standing, decisions, [Failure(*f) for f in failures])


def test_a_part_that_fails_the_standard_holds_its_batch_until_that_is_released():
    failed = [("R-9", at(3))]
    batch = whole_batch(failures=failed)
    assert status(Standing(), batch, True) == "held"
    (reason,) = reasons_against(Standing(), batch, True)
    assert reason == "its batch is held: R-9 did not bear the standard impact"
    for decision in ("release", "concession"):
        freed = whole_batch(decided(4, decision, batch="B1"), failures=failed)
        assert reasons_against(Standing(), freed, True) == []


def test_a_failure_after_a_release_holds_the_batch_again():
    released = decided(4, "release", batch="B1")
    batch = whole_batch(released, failures=[("R-9", at(3)), ("R-8", at(5))])
    assert batch.held == "R-8 did not bear the standard impact"


def test_a_hold_by_a_person_keeps_its_own_reason():
    batch = whole_batch(decided(4, "hold", batch="B1"), failures=[("R-9", at(3))])
    assert batch.held == "as agreed"
