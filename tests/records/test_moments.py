"""Dates and times: with an offset, or by the site's clock."""

import datetime as dt
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.records.moments import moment_reader, read_day
from qc.records.parsing import RecordParser, Refused

LISBON = moment_reader(ZoneInfo("Europe/Lisbon"))
LORD_HOWE = moment_reader(ZoneInfo("Australia/Lord_Howe"))
NO_ZONE = moment_reader(None)


def utc(*parts: int) -> dt.datetime:
    return dt.datetime(*parts, tzinfo=dt.UTC)


@pytest.mark.parametrize(
    ("written", "moment"),
    [
        ("2026-03-31T14:05:00Z", utc(2026, 3, 31, 14, 5)),
        ("2026-03-31t14:05:00z", utc(2026, 3, 31, 14, 5)),
        ("2026-03-31 14:05:00+00:00", utc(2026, 3, 31, 14, 5)),
        ("2026-03-31T14:05:00-00:00", utc(2026, 3, 31, 14, 5)),
        ("2026-03-31T14:05:00+02:00", utc(2026, 3, 31, 12, 5)),
        ("2026-03-31T14:05:00.25-03:30", utc(2026, 3, 31, 17, 35, 0, 250000)),
        ("2026-03-31T00:30:00+14:00", utc(2026, 3, 30, 10, 30)),
        # summer time in Lisbon is an hour ahead, winter time is UTC
        ("2026-03-31T14:05:00", utc(2026, 3, 31, 13, 5)),
        ("2026-01-31T14:05:00", utc(2026, 1, 31, 14, 5)),
        ("2026-03-31 14:05:00.123456", utc(2026, 3, 31, 13, 5, 0, 123456)),
        ("2024-02-29T12:00:00Z", utc(2024, 2, 29, 12)),
        ("0001-01-01T00:00:00Z", utc(1, 1, 1)),
        ("9999-12-31T23:59:59Z", utc(9999, 12, 31, 23, 59, 59)),
    ],
)
def test_a_moment_is_kept_in_utc(written, moment):
    assert LISBON(written) == moment
    assert LISBON(written).tzinfo is dt.UTC


@pytest.mark.parametrize(
    "written",
    [
        *("2026-03-31", "2026-03-31T14:05", "2026-03-31T14:05:00+0200", "2026-03-31T14:05:00+02"),
        *("20260331T140500Z", "2026-W14-2T14:05:00Z", "2026-090T14:05:00Z"),
        *("31.03.2026 14:05", "3/31/2026 2:05 PM", "31/03/2026 14:05:00", "46112.5868"),
        *("2026-02-30T12:00:00Z", "2026-13-01T12:00:00Z", "2025-02-29T12:00:00Z"),
        *("2026-03-31T24:00:00Z", "2026-03-31T23:60:00Z", "2016-12-31T23:59:60Z"),
        *("2026-03-31T14:05:00+24:00", "2026-03-31T14:05:00+02:60", "2026-03-31T14:05:00UTC"),
        *("2026-03-31T14:05:00,5Z", "2026-03-31T14:05:00.Z", "2026-03-31T14:05:00 Z", ""),
        *("２０２６-03-31T14:05:00Z", "10000-01-01T00:00:00Z", "-001-01-01T00:00:00Z"),
        # an offset that leads out of the calendar
        *("0001-01-01T00:00:00+02:00", "9999-12-31T23:59:59-02:00"),
    ],
)  # fmt: skip
def test_what_is_no_moment_is_refused(written):
    with pytest.raises(ValueError):  # noqa: PT011 - the parser words it
        LISBON(written)


@pytest.mark.parametrize("value", [None, 5, 46112.5, True, dt.datetime(2026, 3, 31, tzinfo=dt.UTC)])
def test_a_moment_is_text(value):
    with pytest.raises(ValueError):  # noqa: PT011
        LISBON(value)


@pytest.mark.parametrize("written", ["2026-03-29T01:00:00", "2026-03-29T01:59:59.999"])
def test_a_local_time_that_the_clock_skips_is_refused(written):
    with pytest.raises(ValueError):  # noqa: PT011
        LISBON(written)
    assert LISBON("2026-03-29T00:59:59") == utc(2026, 3, 29, 0, 59, 59)
    assert LISBON("2026-03-29T02:00:00") == utc(2026, 3, 29, 1)


@pytest.mark.parametrize("written", ["2026-10-25T01:00:00", "2026-10-25T01:30:00"])
def test_a_local_time_that_the_clock_shows_twice_is_refused(written):
    with pytest.raises(ValueError):  # noqa: PT011
        LISBON(written)
    assert LISBON(written + "+01:00") == LISBON(written + "Z") - dt.timedelta(hours=1)
    assert LISBON("2026-10-25T02:00:00") == utc(2026, 10, 25, 2)


def test_a_clock_put_on_by_half_an_hour_spoils_only_that_half():
    # Lord Howe goes from +10:30 to +11:00 at 2:00 on 4 October 2026
    assert LORD_HOWE("2026-10-04T02:30:00") == utc(2026, 10, 3, 15, 30)
    with pytest.raises(ValueError):  # noqa: PT011
        LORD_HOWE("2026-10-04T02:15:00")
    # and back on 5 April
    assert LORD_HOWE("2026-04-05T01:15:00") == utc(2026, 4, 4, 14, 15)
    with pytest.raises(ValueError):  # noqa: PT011
        LORD_HOWE("2026-04-05T01:45:00")


def test_without_a_time_zone_the_offset_must_be_written():
    assert NO_ZONE("2026-03-31T14:05:00+02:00") == utc(2026, 3, 31, 12, 5)
    parser = RecordParser(None)
    with pytest.raises(Refused) as refused:
        parser.from_object(
            {"kind": "shipment", "taken_at": "2026-03-31T14:05:00", "station": "s",
             "inspector": "i", "serial": "R-1", "order": "1", "to": "1"}
        )  # fmt: skip
    assert refused.value.field == "taken_at"
    assert "[site]" in refused.value.reason


@given(
    st.datetimes(dt.datetime(1950, 1, 1), dt.datetime(2150, 1, 1)),  # noqa: DTZ001
    st.sampled_from(["Europe/Lisbon", "America/St_Johns", "Australia/Lord_Howe", "Asia/Kathmandu"]),
)
def test_a_local_time_is_taken_as_the_zone_has_it_or_refused(local, name):
    zone = ZoneInfo(name)
    both = {local.replace(tzinfo=zone, fold=fold).astimezone(dt.UTC) for fold in (0, 1)}
    there = {m for m in both if m.astimezone(zone).replace(tzinfo=None, fold=0) == local}
    read = moment_reader(zone)
    if len(both) == 1 and there:
        assert {read(local.isoformat())} == both
    else:
        with pytest.raises(ValueError):  # noqa: PT011
            read(local.isoformat())


def test_a_day_is_written_with_dashes():
    assert read_day("2026-03-31") == dt.date(2026, 3, 31)
    for wrong in (
        "31.03.2026",
        "20260331",
        "2026-3-31",
        "2026-02-30",
        "2026-03-31T00:00:00",
        46112,
    ):
        with pytest.raises(ValueError):  # noqa: PT011
            read_day(wrong)
