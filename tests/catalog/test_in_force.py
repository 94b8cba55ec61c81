"""What was in force on a day, and which of several limits decides."""

import datetime as dt
from decimal import Decimal
from typing import Any

import pytest

from qc.catalog.catalog import Catalog, Recorded
from qc.catalog.entries import BalanceLimit, Claim, Entry, FindingLimit, Limit, RunoutLimit, Site

LISBON = Site(code="HQ", time_zone="Europe/Lisbon")


def noon(day: str) -> dt.datetime:
    return dt.datetime.fromisoformat(f"{day}T12:00:00Z")


def date(day: str) -> dt.date:
    return dt.date.fromisoformat(day)


def catalog(*entries: tuple[str, Entry] | Entry) -> Catalog:
    """Entries in the order of the journal, each with the day it was recorded."""
    dated = [entry if isinstance(entry, tuple) else ("2026-01-05", entry) for entry in entries]
    return Catalog(
        Recorded(str(place), place, noon(day), entry) for place, (day, entry) in enumerate(dated, 1)
    )


def claim(grams: int, since: str, **more: Any) -> Claim:
    return Claim(
        model="D50", stage="rim", claimed_g=Decimal(grams), over_g=Decimal(10),
        under_g=Decimal(10), since=date(since), **more,
    )  # fmt: skip


def claimed(known: Catalog, day: str) -> int | None:
    found = known.claim("D50", "rim", date(day))
    return int(found.claimed_g) if found else None


def test_the_latest_from_that_is_not_after_the_day_decides():
    known = catalog(claim(430, "2026-06-01"), claim(450, "2026-01-01"), claim(440, "2026-03-01"))
    days = ["2025-12-31", "2026-01-01", "2026-02-28", "2026-03-01", "2026-05-31", "2026-06-01"]
    assert [claimed(known, day) for day in days] == [None, 450, 450, 440, 440, 430]
    assert claimed(known, "2036-01-01") == 430


def test_what_is_asked_without_a_day_is_the_newest():
    known = catalog(claim(430, "2026-06-01"), claim(450, "2026-01-01"))
    newest = known.claim("D50", "rim")
    assert newest is not None
    assert newest.claimed_g == 430


def test_what_was_recorded_last_holds_though_the_clock_was_set_back_before():
    known = catalog(
        claim(450, "2026-01-01"),
        ("2026-04-10", claim(460, "2026-01-01")),
        ("2026-03-01", claim(455, "2026-01-01")),  # by the clock before what it replaces
    )
    days = ["2026-02-28", "2026-03-01", "2026-04-09", "2026-04-10"]
    assert [claimed(known, day) for day in days] == [450, 455, 455, 455]
    newest = known.claim("D50", "rim")
    assert newest is not None
    assert newest.claimed_g == 455


def test_a_claim_changed_today_changes_no_verdict_of_yesterday():
    known = catalog(claim(450, "2026-01-01"), ("2026-04-10", claim(460, "2026-01-01")))
    assert claimed(known, "2026-04-09") == 450
    assert claimed(known, "2026-04-10") == 460


def test_the_first_wording_holds_from_its_from_whenever_it_was_recorded():
    known = catalog(("2026-04-10", claim(450, "2026-01-01")))
    assert claimed(known, "2026-01-01") == 450


def test_a_claim_mended_before_its_from_holds_from_its_from():
    known = catalog(
        ("2026-01-05", claim(450, "2026-03-01")), ("2026-02-01", claim(460, "2026-03-01"))
    )
    assert claimed(known, "2026-02-15") is None
    assert claimed(known, "2026-03-01") == 460


def test_an_earlier_claim_that_is_mended_late_does_not_displace_a_later_one():
    known = catalog(
        claim(450, "2026-01-01"),
        claim(440, "2026-03-01"),
        ("2026-06-01", claim(455, "2026-01-01")),
    )
    assert claimed(known, "2026-02-01") == 450
    assert claimed(known, "2026-05-01") == 440
    assert claimed(known, "2026-07-01") == 440


def test_of_two_changes_on_one_day_the_later_one_holds():
    known = catalog(
        claim(450, "2026-01-01"),
        ("2026-04-10", claim(460, "2026-01-01")),
        ("2026-04-10", claim(470, "2026-01-01")),
    )
    assert [claimed(known, day) for day in ("2026-04-09", "2026-04-10")] == [450, 470]


def test_the_day_a_change_was_recorded_is_the_site_s_day():
    # 23:30 UTC on 10 July is half past midnight of the 11th in Lisbon
    late = dt.datetime(2026, 7, 10, 23, 30, tzinfo=dt.UTC)
    known = Catalog(
        [
            Recorded("1", 1, noon("2026-01-05"), LISBON),
            Recorded("2", 2, noon("2026-01-05"), claim(450, "2026-01-01")),
            Recorded("3", 3, late, claim(460, "2026-01-01")),
        ]
    )
    assert [claimed(known, day) for day in ("2026-07-10", "2026-07-11")] == [450, 460]


def test_the_order_in_which_entries_are_given_does_not_matter():
    known = catalog(claim(450, "2026-01-01"), claim(440, "2026-03-01"))
    again = Catalog(reversed(known.recorded))
    assert claimed(again, "2026-02-01") == claimed(known, "2026-02-01") == 450


def limit(upper: int, **more: Any) -> Limit:
    return Limit(characteristic="width", upper=Decimal(upper), **more)


ALL_SCOPES = {
    1: limit(1, model="D50", stage="rim"),
    2: limit(2, model="D50"),
    3: limit(3, stage="rim"),
    4: limit(4),
}


@pytest.mark.parametrize(
    ("there", "decides"),
    [((1, 2, 3, 4), 1), ((2, 3, 4), 2), ((3, 4), 3), ((4,), 4), ((1, 4), 1), ((1, 3), 1),
     ((2, 4), 2), ((1, 2), 1), ((2, 3), 2)],
)  # fmt: skip
def test_the_most_specific_limit_decides(there, decides):
    known = catalog(*(ALL_SCOPES[n] for n in there))
    found = known.limit("width", "D50", "rim", date("2026-02-01"))
    assert found == ALL_SCOPES[decides]


@pytest.mark.parametrize(
    ("model", "stage", "decides"),
    [("D50", "front-wheel", 2), ("R30", "rim", 3), ("R30", "front-wheel", 4), ("D50", None, 2),
     ("R30", None, 4)],
)  # fmt: skip
def test_a_limit_of_another_model_or_stage_does_not_decide(model, stage, decides):
    known = catalog(*ALL_SCOPES.values())
    found = known.limit("width", model, stage, date("2026-02-01"))
    assert found == ALL_SCOPES[decides]


def test_there_may_be_no_limit():
    known = catalog(ALL_SCOPES[1])
    assert known.limit("width", "R30", "rim", date("2026-02-01")) is None
    assert known.limit("depth", "D50", "rim", date("2026-02-01")) is None


def test_a_specific_limit_decides_only_from_its_day_on():
    specific = limit(1, model="D50", since=date("2026-03-01"))
    known = catalog(ALL_SCOPES[4], specific)
    assert known.limit("width", "D50", "rim", date("2026-02-28")) == ALL_SCOPES[4]
    assert known.limit("width", "D50", "rim", date("2026-03-01")) == specific


def test_a_runout_limit_of_the_model_decides_before_the_general_one():
    general = RunoutLimit(direction="lateral", stage="rim", limit_mm=Decimal("0.5"))
    own = RunoutLimit(direction="lateral", stage="rim", limit_mm=Decimal("0.4"), model="D50")
    known = catalog(general, own)
    day = date("2026-02-01")
    assert known.runout_limits("lateral", "rim", "D50", day) == [own]
    assert known.runout_limits("lateral", "rim", "R30", day) == [general]
    assert known.runout_limits("radial", "rim", "D50", day) == []


def test_tir_and_form_may_both_have_a_runout_limit():
    tir = RunoutLimit(direction="radial", stage="rim", limit_mm=Decimal("0.5"), of="tir")
    form = RunoutLimit(direction="radial", stage="rim", limit_mm=Decimal("0.3"), of="form")
    found = catalog(tir, form).runout_limits("radial", "rim", "D50", date("2026-02-01"))
    assert found == [tir, form]


def test_finding_limits_of_a_model_decide_before_the_general_ones():
    general = [
        FindingLimit(zone="hook", defect="void", size_mm=Decimal(size), severity=severity)
        for size, severity in ((1, "minor"), (3, "critical"))
    ]
    own = FindingLimit(
        zone="hook", defect="void", size_mm=Decimal(2), severity="major", model="D50"
    )
    known = catalog(*general, own)
    day = date("2026-02-01")
    assert known.finding_limits("hook", "void", "D50", day) == [own]
    assert known.finding_limits("hook", "void", "R30", day) == general
    assert known.finding_limits("sidewall", "void", "D50", day) == []


def test_a_balance_limit_of_the_model_decides_before_the_general_one():
    general = BalanceLimit(stage="front-wheel", limit_gmm=Decimal(600))
    own = BalanceLimit(stage="front-wheel", limit_gmm=Decimal(500), model="D50")
    known = catalog(general, own)
    day = date("2026-02-01")
    assert known.balance_limit("front-wheel", "D50", day) == own
    assert known.balance_limit("front-wheel", "R30", day) == general
    assert known.balance_limit("rear-wheel", "D50", day) is None


@pytest.mark.parametrize(
    ("zone", "moment", "day"),
    [
        ("Europe/Lisbon", "2026-07-10T22:59:59.999999Z", "2026-07-10"),
        ("Europe/Lisbon", "2026-07-10T23:00:00Z", "2026-07-11"),
        ("Europe/Lisbon", "2026-01-10T23:30:00Z", "2026-01-10"),
        # the nights of the change to summer time and back
        ("Europe/Lisbon", "2026-03-28T23:59:59Z", "2026-03-28"),
        ("Europe/Lisbon", "2026-03-29T22:59:59Z", "2026-03-29"),
        ("Europe/Lisbon", "2026-03-29T23:00:00Z", "2026-03-30"),
        ("Europe/Lisbon", "2026-10-25T23:59:59Z", "2026-10-25"),
        ("America/Denver", "2026-07-01T05:59:59Z", "2026-06-30"),
        ("America/Denver", "2026-07-01T06:00:00Z", "2026-07-01"),
        # midnight falls within an hour of UTC
        ("Asia/Kolkata", "2026-07-01T18:29:59Z", "2026-07-01"),
        ("Asia/Kolkata", "2026-07-01T18:30:00Z", "2026-07-02"),
        ("Asia/Kathmandu", "2026-07-01T18:14:59Z", "2026-07-01"),
        ("Asia/Kathmandu", "2026-07-01T18:15:00Z", "2026-07-02"),
        # where the next day has no day in the calendar
        ("America/Denver", "0001-01-01T00:30:00Z", "0001-01-01"),
        ("Asia/Kolkata", "9999-12-31T23:59:59Z", "9999-12-31"),
    ],
)
def test_a_moment_falls_on_the_site_s_day(zone, moment, day):
    known = catalog(Site(code="HQ", time_zone=zone))
    at = dt.datetime.fromisoformat(moment)
    assert known.local_day(at) == date(day)
    assert known.local_day(at) == date(day)  # from what was remembered of that hour


def test_without_a_site_the_day_is_that_of_utc():
    known = Catalog()
    assert known.zone is None
    assert known.local_day(dt.datetime(2026, 7, 10, 23, 59, tzinfo=dt.UTC)) == date("2026-07-10")


def test_the_newest_site_decides():
    known = catalog(LISBON, Site(code="HQ", time_zone="America/Denver"))
    assert known.site is not None
    assert known.site.time_zone == "America/Denver"
