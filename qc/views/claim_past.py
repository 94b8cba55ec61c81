"""What claims were judged from at the end of a past day: every part judged anew, as known then.

Nothing is written. Histories are cut at that moment by `taken_at`: later records, corrections and
gauge checks are not known yet. Catalog entries hold by their own days.
"""

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from sqlalchemy import Connection

from qc.catalog.catalog import Catalog
from qc.errors import RimqcError
from qc.judgement.gauges import doubts
from qc.judgement.part import judge_part
from qc.judgement.readings import Around, Held
from qc.ledger.bulk import pieces
from qc.ledger.corrections import any_corrections, histories
from qc.ledger.follow import PARTS_AT_ONCE, names_in, pair_of
from qc.ledger.pairs import Wheel, pair_rows, wheel_of
from qc.ledger.projections import QUANTITY_COLUMNS, quantity_rows
from qc.ledger.summaries import seconds_of
from qc.statistics.summary import Summary as Sums
from qc.statistics.summary import micro
from qc.views.claim_facts import (
    SAMPLE,
    BatchMass,
    Facts,
    Stream,
    for_mass,
    in_order,
    measured,
)

Row = tuple[Any, ...]  # in the order of QUANTITY_COLUMNS


class Past:
    """The journal as it was known before a moment."""

    def __init__(self, connection: Connection, catalog: Catalog, until: dt.datetime) -> None:
        self.connection, self.until = connection, until
        self.corrected = any_corrections(connection)
        in_doubt = {
            gauge: found
            for gauge, held in self._histories(
                "checked", sorted(names_in(connection, "checked"))
            ).items()
            if (found := doubts(gauge, held))
        }
        self.around = Around(catalog, in_doubt)
        # whole pairs by their front wheel: the model of the rear wheel
        self.rears: dict[str, str] = {}

    def held(self, serials: Sequence[str]) -> Mapping[str, Sequence[Held]]:
        """What was known of these parts, as far as their mass depends on it."""
        found = self._histories("serial", serials)
        return {serial: for_mass(held) for serial, held in found.items()}

    def masses(self) -> Iterator[Row]:
        """The bare masses of all parts and pairs that were not in doubt."""
        wheels: dict[str, dict[str, list[Wheel | None]]] = {}
        for serials in pieces(sorted(names_in(self.connection, "serial")), PARTS_AT_ONCE):
            for serial, held in self.held(serials).items():
                if not held:
                    continue
                judged = judge_part(serial, held, self.around)
                yield from quantity_rows(serial, judged)
                if of := pair_of(held):
                    code, stage = of
                    wheel = wheel_of(serial, stage, judged, held, self.around)
                    wheels.setdefault(code, {}).setdefault(stage, []).append(wheel)
        for code, found in wheels.items():
            fronts, rears = found.get("front-wheel", []), found.get("rear-wheel", [])
            if len(fronts) == len(rears) == 1 and fronts[0] and rears[0]:
                self.rears[fronts[0].serial] = rears[0].model
                yield pair_rows(self.around, code, fronts[0], rears[0])[1]

    def _histories(self, column: str, names: Sequence[str]) -> dict[str, list[Held]]:
        found = histories(self.connection, column, names, self.corrected)
        return {name: [*self._cut(held)] for name, held in found.items()}

    def _cut(self, held: Sequence[Held]) -> Iterator[Held]:
        for item in held:
            if item.record.taken_at < self.until:
                known = tuple(change for change in item.changes if change.at < self.until)
                yield Held(item.record, known)


def facts_at(
    connection: Connection, catalog: Catalog, day: dt.date, since: dt.date | None = None
) -> Facts:
    """The facts as known at the end of a local day; costs a replay of every part.

    With `since`, of the parts whose last weighing is of that day or a later one.
    """
    past = Past(connection, catalog, end_of_day(catalog, day))
    start = end_of_day(catalog, since - dt.timedelta(days=1)) if since else None
    serials: dict[tuple[Stream, str], list[str]] = {}

    def cells() -> Iterator[tuple[Stream, BatchMass]]:
        for row in past.masses():
            held = dict(zip(QUANTITY_COLUMNS, row, strict=True))
            in_time = start is None or held["at"] >= start
            if held["characteristic"] == "bare-mass" and in_time and not held["suspect"]:
                stream = held["model"], held["stage"]
                serials.setdefault((stream, held["batch"]), []).append(held["serial"])
                yield stream, _one_part(held)

    batches = in_order(catalog, cells())
    newest = {
        stream: _newest([sorted(serials[stream, one.batch]) for one in reversed(found)])
        for stream, found in batches.items()
    }
    return Facts(
        batches,
        {
            stream: measured(names, stream[1], past.held, past.around)
            for stream, names in newest.items()
            if stream[1] != "pair"
        },
        {
            stream[0]: sorted({past.rears[name] for name in names})
            for stream, names in newest.items()
            if stream[1] == "pair"
        },
    )


def end_of_day(catalog: Catalog, day: dt.date) -> dt.datetime:
    """The first moment after a local day of the site, in UTC."""
    if day == dt.date.max:
        raise RimqcError(f"--at: a day before {day} is needed: {day}")
    midnight = dt.datetime.combine(day + dt.timedelta(days=1), dt.time())
    return midnight.replace(tzinfo=catalog.zone or dt.UTC).astimezone(dt.UTC)


def _one_part(held: Mapping[str, Any]) -> BatchMass:
    value, beyond = held["value"], held["beyond"]
    sums = Sums().plus(micro(value))
    over, under = int(beyond == "over"), int(beyond == "under")
    return BatchMass(held["batch"], sums, over, under, value, value, seconds_of(held["at"]))


def _newest(batches: Sequence[Sequence[str]]) -> list[str]:
    """Parts of the newest batches, as `newest_serials` takes them."""
    found: list[str] = []
    for serials in batches:
        found += serials[: SAMPLE - len(found)]
    return found
