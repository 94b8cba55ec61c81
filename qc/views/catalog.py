"""The catalog as people look it up: what is in force, and which version held from when to when."""

import datetime as dt
from collections.abc import Sequence
from typing import Any, NamedTuple

import msgspec
from sqlalchemy import Connection, select

from qc.catalog.catalog import Catalog, Version
from qc.catalog.entries import TABLES, CatalogEntry, Entry, table_of
from qc.catalog.toml_out import keys_of
from qc.errors import RimqcError
from qc.ledger.tables import Journal
from qc.records.parsing import nearest
from qc.views.catalog_words import name_of, own_units, says
from qc.views.plain import moment, plain

Rows = list[dict[str, Any]]

# what these say holds for every day, whenever it was entered: the newest version counts
ALL_DAYS = frozenset({"site", "model", "characteristic", "batch", "station", "inspector"})
ALWAYS, FOR_EVER = dt.date.min, dt.date.max
_decoder = msgspec.json.Decoder(CatalogEntry)


class Stretch(NamedTuple):
    """A version and the days on which it is in force: from `start` to before `end`.

    `ALWAYS` and `FOR_EVER` where there is no such day; none at all where `end` is `start`.
    """

    version: Version
    start: dt.date
    end: dt.date

    def holds(self, day: dt.date) -> bool:
        return self.start <= day < self.end

    @property
    def ever(self) -> bool:
        return self.start < self.end


def stretches(versions: Sequence[Version]) -> list[Stretch]:
    """When each version of an entry is in force, in the catalog's order of versions."""
    table = table_of(versions[-1].entry)
    found: list[Stretch] = []
    end, taken = FOR_EVER, set()
    for version in reversed(versions):
        if table == "baseline":  # several hold side by side; of those from one day the newest
            start, end = version.named, FOR_EVER if version.named not in taken else version.named
            taken.add(version.named)
        else:
            start = ALWAYS if table in ALL_DAYS else version.since
        found.append(Stretch(version, start, max(start, end)))
        end = min(start, end)
    return found[::-1]


def in_force(catalog: Catalog, day: dt.date) -> list[Entry]:
    """Every entry in force on a day, in the order first recorded."""
    return [
        stretch.version.entry
        for versions in catalog.versions.values()
        for stretch in stretches(versions)
        if stretch.holds(day)
    ]


def everything(catalog: Catalog) -> list[Entry]:
    """Every entry from which today's catalog can be made again: all days, newest wording of each.

    In the order first recorded; the versions of one entry together, as they were recorded.
    """
    groups: dict[tuple[str, ...], list[tuple[int, Entry]]] = {}
    for key, item in catalog.current.items():
        groups.setdefault(key[:-1], []).append((item.position, item.entry))
    return [entry for group in groups.values() for _, entry in sorted(group, key=lambda p: p[0])]


def listed(catalog: Catalog, table: str, today: dt.date) -> Rows:
    """Every entry of a table as it is in force today, with what is entered for later.

    `now` is None where none of its versions holds today; `later` are the days of what is to come.
    """
    rows = []
    for key, versions in catalog.versions.items():
        if key[0] != table:
            continue
        held = stretches(versions)
        now = [s for s in held if s.holds(today)]
        later = [s for s in held if s.start > today and s.ever]
        shown = (now or later or held)[-1].version.entry
        rows.append(
            {
                "entry": name_of(shown),
                "key": key,
                "now": _shown(catalog, now[-1]) if now else None,
                "later": [s.start.isoformat() for s in later],
                "versions": len(versions),
            }
        )
    return sorted(rows, key=lambda row: row["entry"]) if table != "batch" else rows[::-1]


def history(connection: Connection, catalog: Catalog, table: str, words: Sequence[str]) -> Rows:
    """Every version of the entries of a table that all these codes name, the newest first.

    RimqcError where there is no such table or entry.
    """
    if table not in TABLES:
        known = ", ".join(TABLES)
        raise RimqcError(f"no table {table!r}{nearest(table, list(TABLES))}; there are {known}", 2)
    own = {key: vs for key, vs in catalog.versions.items() if key[0] == table}
    keys = [key for key in own if table == "site" or set(words) <= set(key[1:])]
    if not keys and words:
        known_words = {word for key in own for word in key[1:]}
        odd = next((word for word in words if word not in known_words), words[0])
        near = nearest(odd, sorted(known_words))
        raise RimqcError(f"no {table} {' '.join(words)!r} in the catalog{near}")
    return [row for key in keys for row in versions_of(connection, catalog, key)]


def versions_of(connection: Connection, catalog: Catalog, key: tuple[str, ...]) -> Rows:
    """Every version of an entry, the newest recorded first: what, when, by whom, in force when.

    `entered_by` is None where a file brought it.
    """
    held = stretches(catalog.versions[key])
    at = {item.position: item for item in catalog.recorded}
    by = _entered_by(connection, [s.version.position for s in held])
    rows = []
    for stretch in sorted(held, key=lambda s: s.version.position, reverse=True):
        item = at[stretch.version.position]
        rows.append(
            {"table": key[0], "entry": name_of(item.entry)}
            | _shown(catalog, stretch)
            | {
                "recorded_at": moment(item.at),
                "entered_by": by.get(item.position),
                "record_id": item.record_id,
            }
        )
    return rows


def _shown(catalog: Catalog, stretch: Stretch) -> dict[str, Any]:
    entry = stretch.version.entry
    return {
        "from": _day(stretch.start),
        "until": _day(stretch.end - dt.timedelta(1)) if FOR_EVER > stretch.end > ALWAYS else None,
        "ever": stretch.ever,
        "says": says(entry, own_units(catalog, entry)),
        "keys": {name: plain(value) for name, value in keys_of(entry).items()},
    }


def _day(day: dt.date) -> str | None:
    return None if day in (ALWAYS, FOR_EVER) else day.isoformat()


def _entered_by(connection: Connection, positions: Sequence[int]) -> dict[int, str | None]:
    query = select(Journal.position, Journal.body).where(Journal.position.in_(positions))
    return {at: _decoder.decode(text).entered_by for at, text in connection.execute(query)}
