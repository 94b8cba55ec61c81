"""Gauges: which readings a bad check puts in doubt, and use after the calibration ran out."""

import datetime as dt
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import msgspec
import pytest

from qc.judgement.gauges import calibrations, doubts, overdue_flags, passes, suspect_flags
from qc.judgement.part import Judged
from qc.judgement.readings import Change, Held
from tests.judgement.bench import at, catalog, judge, mended, open_flags, quantity, record, the_flag

DENVER = ZoneInfo("America/Denver")
SHOP = catalog()
SCALE = SHOP.gauge("S1")


def check(when: Any, error: Any = 0, limit: Any = "0.5", **more: Any) -> Any:
    return record("gauge-check", when, reading=str(500 + Decimal(str(error))), limit=limit, **more)


def calibration(when: Any, due: str, error: Any = 0, **more: Any) -> Any:
    return check(when, error, check="calibration", due=due, **more)


def windows(*checks: Any) -> list[tuple[Any, Any, Any]]:
    """Known from, start and end of every doubt."""
    held = [item if isinstance(item, Held) else Held(item) for item in checks]
    return [(d.known_from, d.start, d.end) for d in doubts("S1", held)]


@pytest.mark.parametrize(
    ("error", "fails"), [("0.5", False), ("-0.5", False), ("0.51", True), ("-0.51", True)]
)
def test_a_check_fails_when_its_error_is_larger_than_its_limit(error, fails):
    assert passes(check(2, error)) != fails


def test_an_error_of_many_digits_is_compared_without_rounding():
    long = record("gauge-check", 2, nominal="1000000", reading="1000000.5" + "0" * 19 + "1")
    assert not passes(long)


def test_checks_that_pass_cast_no_doubt():
    assert windows(check(2), check(3, "0.5"), check(4)) == []


def test_a_failed_check_doubts_what_came_since_the_last_pass_and_until_the_next():
    assert windows(check(2), check(3), check(5, 1), check(6), check(7)) == [(at(5), at(3), at(6))]


def test_without_an_earlier_pass_everything_before_is_in_doubt():
    assert windows(check(5, 1), check(6)) == [(at(5), None, at(6))]


def test_without_a_later_pass_everything_after_is_in_doubt():
    assert windows(check(3), check(5, 1)) == [(at(5), at(3), None)]


def test_a_less_strict_pass_protects_nothing():
    strict, loose = check(2, limit="0.2"), check(3, limit="0.5")
    assert windows(strict, loose, check(5, "0.3", limit="0.2")) == [(at(5), at(2), None)]
    # as strict is strict enough
    assert windows(strict, check(3, limit="0.2"), check(5, "0.3", limit="0.2")) == [
        (at(5), at(3), None)
    ]
    # stricter too
    assert windows(check(3, limit="0.1"), check(5, "0.6")) == [(at(5), at(3), None)]


def test_a_check_as_left_casts_no_doubt_but_ends_it():
    assert windows(check(2), check(5, 1, found="as-left")) == []
    assert windows(check(2), check(5, 1), check(at(5, 11), found="as-left")) == [
        (at(5), at(2), at(5, 11))
    ]


def test_a_check_as_left_at_the_moment_of_the_one_as_found_comes_after_it():
    assert windows(check(2), check(5, 1), check(5, found="as-left")) == [(at(5), at(2), at(5))]
    # two checks as found at one moment: neither is before the other
    assert windows(check(2), check(5, 1), check(5)) == [(at(5), at(2), None)]


def test_each_failed_check_has_its_own_doubt():
    assert windows(check(2), check(3, 1), check(4, 2), check(5)) == [
        (at(3), at(2), at(5)),
        (at(4), at(2), at(5)),
    ]


def test_the_order_in_which_checks_arrive_does_not_matter():
    checks = [check(2), check(3), check(5, 1), check(6)]
    assert windows(*reversed(checks)) == windows(*checks)


def test_readings_between_the_checks_are_meant_and_no_others():
    (doubt,) = doubts("S1", [Held(check(3)), Held(check(5, 1)), Held(check(6))])
    covered = [hour for hour in range(24 * 8) if doubt.covers(at(1) + dt.timedelta(hours=hour))]
    # after the third at ten, before the sixth at ten
    assert covered == list(range(49, 120))


def test_a_failed_check_that_was_typed_wrong_is_in_force_until_its_correction():
    wrong = check(5, 1)
    (doubt,) = doubts("S1", [Held(check(3)), mended(wrong, 8, None)])
    assert (doubt.known_from, doubt.known_until) == (at(5), at(8))
    (doubt,) = doubts("S1", [Held(check(3)), mended(wrong, 8, check(5))])
    assert doubt.known_until == at(8)


def test_a_check_of_another_gauge_is_none_of_this_one():
    assert windows(check(5, 1, gauge="S2")) == []


def weighed(when: Any, gross: Any, **more: Any) -> Any:
    return record("weighing", when, gross_g=gross, **more)


def doubted(*checks: Any) -> dict[str, Any]:
    return {"S1": doubts("S1", [Held(item) for item in checks])}


# off from the second to the sixth, found on the fifth
BAD_DOUBTS = doubted(check(2), check(5, 1), check(6))


def suspects(judged: Judged) -> list[tuple[Any, Any, Any]]:
    return [(s.taken_at, s.known_from, s.settled_at) for s in judged.suspects]


def flags_of(judged: Judged) -> list[tuple[Any, Any, int]]:
    """When the gauge's flags were raised and closed, and how many records they touch."""
    found = suspect_flags(SCALE, BAD_DOUBTS["S1"], judged.suspects)
    return [(t.flag.raised_at, t.flag.closed_at, len(t.records)) for t in found]


def test_a_reading_is_suspect_until_it_is_measured_again():
    judged = judge(SHOP, weighed(3, 825), doubts=BAD_DOUBTS)
    assert suspects(judged) == [(at(3), at(5), None)]
    assert flags_of(judged) == [(at(5), None, 1)]
    again = judge(SHOP, weighed(3, 825), weighed(8, 824), doubts=BAD_DOUBTS)
    assert suspects(again) == [(at(3), at(5), at(8))]
    assert flags_of(again) == [(at(5), at(8), 1)]
    assert quantity(again, "bare-mass").value == 824


def test_another_reading_in_doubt_is_no_new_measurement():
    judged = judge(SHOP, weighed(3, 825), weighed(4, 824), doubts=BAD_DOUBTS)
    assert [settled for _, _, settled in suspects(judged)] == [None, None]
    assert flags_of(judged) == [(at(5), None, 2)]


def test_a_reading_at_another_stage_is_no_new_measurement():
    judged = judge(SHOP, weighed(3, 825), weighed(8, 900, stage="rear-wheel"), doubts=BAD_DOUBTS)
    assert suspects(judged) == [(at(3), at(5), None)]


def test_a_reading_that_was_taken_again_before_the_gauge_failed_raises_nothing():
    judged = judge(SHOP, weighed(3, 825), weighed(4, 824, gauge="S2"), doubts=BAD_DOUBTS)
    assert suspects(judged) == [(at(3), at(5), at(4))]
    assert flags_of(judged) == []


def test_a_reading_may_be_accepted_with_a_reason():
    reading = weighed(3, 825)
    accepted = Held(reading, (Change(at(9), reading, accepted_at=at(9)),))
    judged = judge(SHOP, accepted, doubts=BAD_DOUBTS)
    assert suspects(judged) == [(at(3), at(5), at(9))]
    assert not quantity(judged, "bare-mass").suspect
    assert flags_of(judged) == [(at(5), at(9), 1)]


def test_a_reading_that_was_taken_away_is_no_longer_suspect():
    judged = judge(SHOP, mended(weighed(3, 825), 9, None), doubts=BAD_DOUBTS)
    assert judged.suspects == []
    assert flags_of(judged) == []


def test_a_drop_cannot_be_measured_again():
    more = """
    [[protocol]]
    code = "P1"
    stage = "rim"
    standard_energy_j = 39.2266
    required_multiple = 1
    method = "repeat"
    positions_deg = [0]
    fails_at = "crack"
    """
    first, second = (record("drop", day, drop_no=n, gauge="S1") for n, day in ((1, 3), (2, 8)))
    judged = judge(catalog(more), first, second, doubts=BAD_DOUBTS)
    assert suspects(judged) == [(at(3), at(5), None)]


def test_the_flag_opens_when_the_gauge_is_found_off_and_not_before():
    # 840 g on the bad scale, 825 g on the good one: the flag was true until the fifth
    judged = judge(SHOP, weighed(3, 840), weighed(at(3, 11), 815, gauge="S2"), doubts=BAD_DOUBTS)
    # their mean of 827.5 is inside; from the fifth on only the good scale counts
    assert open_flags(judged) == []
    alone = judge(SHOP, weighed(3, 840), weighed(4, 825, gauge="S2"), doubts=BAD_DOUBTS)
    flag = the_flag(alone, "weight-over-claim")
    assert (flag.raised_at, flag.closed_at) == (at(3), at(5))


def test_the_message_says_how_far_off_and_how_many():
    judged = judge(SHOP, weighed(3, 825), weighed(4, 824), doubts=BAD_DOUBTS)
    (touched,) = suspect_flags(SCALE, BAD_DOUBTS["S1"], judged.suspects)
    verdict = touched.flag.verdict
    assert (verdict.flag, verdict.severity) == ("gauge-suspect", "major")
    assert (verdict.value, verdict.limit, verdict.unit) == (1, Decimal("0.5"), "g")
    assert "2 readings" in verdict.message


# ---- overdue ----


def overdue(due: str | None, checks: list[Any], used: list[dt.datetime]) -> list[tuple[Any, Any]]:
    """When the flags were raised and closed, of a scale with this due date in the catalog."""

    def first_use(since: dt.datetime, until: dt.datetime | None) -> dt.datetime | None:
        within = (t for t in used if t >= since and (until is None or t < until))
        return min(within, default=None)

    scale = msgspec.structs.replace(SCALE, due=dt.date.fromisoformat(due) if due else None)
    found = overdue_flags(
        scale, calibrations(scale.code, [Held(item) for item in checks]), DENVER, first_use
    )
    return [(flag.raised_at, flag.closed_at) for flag in found]


def utc(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text)


@pytest.mark.parametrize(
    ("used", "late"),
    [
        ("2026-06-30T15:00:00Z", False),
        # the last minute of 30 June in Denver, six hours behind UTC
        ("2026-07-01T05:59:59Z", False),
        ("2026-07-01T06:00:00Z", True),
        ("2026-07-02T12:00:00Z", True),
    ],
)
def test_a_gauge_is_overdue_when_used_on_a_local_day_after_its_due(used, late):
    assert overdue("2026-06-30", [], [utc(used)]) == ([(utc(used), None)] if late else [])


def test_a_gauge_that_was_not_used_is_not_overdue():
    assert overdue("2026-06-30", [], []) == []
    assert overdue("2026-06-30", [], [utc("2026-05-01T12:00:00Z")]) == []


@pytest.mark.parametrize("due", [None, "9999-12-31"])
def test_a_gauge_that_never_falls_due_is_never_overdue(due):
    assert overdue(due, [], [utc("2026-07-02T12:00:00Z")]) == []


def test_a_passed_calibration_moves_the_due_date_and_closes_the_flag():
    used = [at(10), at(12), at(20)]
    assert overdue("2026-03-05", [calibration(11, "2027-03-11")], used) == [(at(10), at(11))]
    # used after the new date too
    assert overdue("2026-03-05", [calibration(11, "2026-03-15")], used) == [
        (at(10), at(11)),
        (at(20), None),
    ]


def test_the_due_date_of_the_last_passed_calibration_counts_not_the_catalog_s():
    early = calibration(2, "2026-03-08")
    assert overdue("2026-12-31", [early], [at(10)]) == [(at(10), None)]
    assert overdue("2026-03-05", [calibration(2, "2027-03-02")], [at(10)]) == []


def test_a_failed_calibration_moves_no_due_date():
    failed = calibration(4, "2027-03-04", error=1)
    assert overdue("2026-03-05", [failed], [at(10)]) == [(at(10), None)]
    mended_after = calibration(at(4, 11), "2027-03-04", found="as-left")
    assert overdue("2026-03-05", [failed, mended_after], [at(10)]) == []


def test_a_daily_check_moves_no_due_date():
    daily = check(4, due="2027-03-04")
    assert overdue("2026-03-05", [daily], [at(10)]) == [(at(10), None)]


def test_the_overdue_flag_is_major_and_names_the_day():
    held = [Held(calibration(2, "2026-03-08"))]
    (flag,) = overdue_flags(SCALE, calibrations(SCALE.code, held), None, lambda since, until: since)
    assert (flag.verdict.flag, flag.verdict.severity) == ("gauge-overdue", "major")
    assert "2026-03-08" in flag.verdict.message
    assert flag.raised_at == utc("2026-03-09T00:00:00Z")
