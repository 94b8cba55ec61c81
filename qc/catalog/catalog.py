"""What was in force on a day.

An entry holds from its `from`. Where it has none, its first version has always held and a changed
one holds from the site's local day on which it was recorded, so that a change made today leaves
the verdicts of yesterday alone. Of several limits the most specific one decides: model and stage,
then model, then stage, then neither.
"""

import datetime as dt
from collections.abc import Iterable
from typing import Any, NamedTuple, TypeVar, cast
from zoneinfo import ZoneInfo

from qc.catalog.entries import (
    BalanceLimit,
    Baseline,
    Batch,
    Characteristic,
    Claim,
    Entry,
    FindingLimit,
    FittedPart,
    Gauge,
    Limit,
    Model,
    Plan,
    Protocol,
    Readout,
    RunoutLimit,
    Site,
    key_of,
)

E = TypeVar("E", bound=Entry)


class Recorded(NamedTuple):
    """An entry as the journal holds it: its record, its place, and when it was recorded."""

    record_id: str
    position: int
    at: dt.datetime
    entry: Entry


class Version(NamedTuple):
    """In order: by the day that the entry names, then by when this wording of it came to hold."""

    named: dt.date
    since: dt.date
    position: int
    entry: Entry


class Catalog:
    """All versions of all entries, and the questions a judge asks of them."""

    def __init__(self, recorded: Iterable[Recorded] = ()) -> None:
        self.recorded = sorted(recorded, key=lambda item: item.position)
        self.current: dict[tuple[str, ...], Recorded] = {}
        site = [item.entry for item in self.recorded if isinstance(item.entry, Site)]
        self.site: Site | None = site[-1] if site else None
        self.zone: ZoneInfo | None = ZoneInfo(self.site.time_zone) if self.site else None
        # what a judge worked out from this state of the catalog and may use again
        self.memory: dict[tuple[object, ...], Any] = {}
        self._day_of_hour: dict[tuple[dt.date, int], dt.date | None] = {}
        # by table and naming fields
        self.versions: dict[tuple[str, ...], list[Version]] = {}
        for item in self.recorded:
            self._take_in(item)
        for versions in self.versions.values():
            versions.sort()

    def _take_in(self, item: Recorded) -> None:
        key = key_of(item.entry)
        first = key not in self.current
        self.current[key] = item
        recorded_on = dt.date.min if first else self.local_day(item.at)
        named = item.entry.since or dt.date.min
        since = max(named, recorded_on)
        versions = self.versions.setdefault(key[:-1], [])
        # where the clock was set back, what is replaced gives way all the same
        for place, before in enumerate(versions):
            if before.named == named and before.since > since:
                versions[place] = before._replace(since=since)
        versions.append(Version(named, since, item.position, item.entry))

    def local_day(self, moment: dt.datetime) -> dt.date:
        """The site's calendar day of a moment (UTC where the site has no time zone)."""
        key = moment.date(), moment.hour
        try:
            day = self._day_of_hour[key]
        except KeyError:
            hour = moment.replace(minute=0, second=0, microsecond=0)
            day = self._day_of_hour[key] = _whole_hour_day(hour, self.zone)
        return day or _day_in(self.zone, moment)

    def _in_force(self, kind: type[E], named: tuple[str, ...], day: dt.date | None) -> E | None:
        versions = self.versions.get((str(kind.__struct_config__.tag), *named))
        if not versions:
            return None
        if day is None:
            return cast(E, versions[-1].entry)
        for version in reversed(versions):
            if version.since <= day:
                return cast(E, version.entry)
        return None

    def codes(self, kind: type[Entry]) -> list[str]:
        """All codes of a table."""
        tag = str(kind.__struct_config__.tag)
        return [key[1] for key in self.versions if key[0] == tag]

    def entries(self, kind: type[E]) -> list[E]:
        """The newest version of every entry of a table, in the order first recorded."""
        tag = str(kind.__struct_config__.tag)
        return [cast(E, vs[-1].entry) for key, vs in self.versions.items() if key[0] == tag]

    def model(self, code: str) -> Model | None:
        return self._in_force(Model, (code,), None)

    def batch(self, code: str) -> Batch | None:
        return self._in_force(Batch, (code,), None)

    def characteristic(self, code: str) -> Characteristic | None:
        return self._in_force(Characteristic, (code,), None)

    def gauge(self, code: str, day: dt.date | None = None) -> Gauge | None:
        return self._in_force(Gauge, (code,), day)

    def readout(self, gauge: str, day: dt.date | None = None) -> Readout | None:
        return self._in_force(Readout, (gauge,), day)

    def fitted_part(self, code: str, day: dt.date | None = None) -> FittedPart | None:
        return self._in_force(FittedPart, (code,), day)

    def protocol(self, code: str, day: dt.date | None = None) -> Protocol | None:
        return self._in_force(Protocol, (code,), day)

    def claim(self, model: str, stage: str, day: dt.date | None = None) -> Claim | None:
        return self._in_force(Claim, (model, stage), day)

    def plan(self, model: str, stage: str, day: dt.date | None = None) -> Plan | None:
        return self._in_force(Plan, (model, stage), day)

    def limit(
        self, characteristic: str, model: str, stage: str | None, day: dt.date
    ) -> Limit | None:
        """The most specific limit of a characteristic."""
        scopes = [(model, stage)] if stage else []
        scopes += [(model, ""), ("", stage)] if stage else [(model, "")]
        for of_model, of_stage in (*scopes, ("", "")):
            found = self._in_force(Limit, (characteristic, of_model, of_stage or ""), day)
            if found:
                return found
        return None

    def runout_limits(
        self, direction: str, stage: str, model: str, day: dt.date
    ) -> list[RunoutLimit]:
        """The most specific run-out limits: one, or one of `tir` and one of `form`."""
        for of_model in (model, ""):
            found: dict[str, RunoutLimit] = {}
            for of in ("", "tir", "form"):
                limit = self._in_force(RunoutLimit, (direction, stage, of_model, of), day)
                if limit:
                    found[limit.of or ("form" if stage == "rim" else "tir")] = limit
            if found:
                return list(found.values())
        return []

    def finding_limits(
        self, zone: str, defect: str, model: str, day: dt.date
    ) -> list[FindingLimit]:
        """The most specific limits of a defect in a zone, one for each severity."""
        for of_model in (model, ""):
            found = [
                limit
                for severity in ("minor", "major", "critical")
                if (limit := self._in_force(FindingLimit, (zone, defect, of_model, severity), day))
            ]
            if found:
                return found
        return []

    def balance_limit(self, stage: str, model: str, day: dt.date) -> BalanceLimit | None:
        """The most specific limit of unbalance."""
        return self._in_force(BalanceLimit, (stage, model), day) or self._in_force(
            BalanceLimit, (stage, ""), day
        )

    def baselines(
        self, model: str, stage: str, characteristic: str, protocol: str
    ) -> list[Baseline]:
        """The frozen baselines of a stream, in the order of the days from which they hold."""
        versions = self.versions.get(("baseline", model, characteristic, stage, protocol), [])
        newest = {version.named: cast(Baseline, version.entry) for version in versions}
        return [newest[day] for day in sorted(newest)]

    def claims_at(self, stage: str) -> list[Claim]:
        """Every claim ever made for a stage, of any model."""
        return [
            cast(Claim, version.entry)
            for key, versions in self.versions.items()
            if key[0] == "claim" and key[2] == stage
            for version in versions
        ]


def _whole_hour_day(hour: dt.datetime, zone: ZoneInfo | None) -> dt.date | None:
    """The local day of all moments of an hour; None where midnight falls within it."""
    last = hour + dt.timedelta(minutes=59, seconds=59, microseconds=999_999)
    first_day, last_day = (_day_in(zone, t) for t in (hour, last))
    return first_day if first_day == last_day else None


def _day_in(zone: ZoneInfo | None, moment: dt.datetime) -> dt.date:
    try:
        return moment.astimezone(zone or dt.UTC).date()
    except OverflowError:  # the calendar's first and last hours have no day elsewhere
        return moment.date()
