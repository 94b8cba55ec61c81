"""Corrections: what a record says from when on, whoever corrected whom."""

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from sqlalchemy import Connection, delete, select

from qc.judgement.readings import Change, Held
from qc.ledger.bulk import insert_rows, pieces, select_in
from qc.ledger.journal import Subject, places, subject_of
from qc.ledger.tables import Journal, Mends, Override, Part
from qc.records.canonical import from_body, replacement_of
from qc.records.kinds import Correction, Record


class Placed(NamedTuple):
    """A record with its place in the journal."""

    position: int
    record: Record


Corrections = Mapping[str, Sequence[Placed]]


def resolve(root: Record, corrections: Corrections) -> Held:
    """A record with all its changes, oldest first.

    The newest correction by its own time decides, then the one that arrived later; a correction
    may itself be corrected.
    """
    times = sorted(_times(root.record_id, corrections, set()))
    changes = []
    for at in times:
        changes.append(Change(at, *_as_of(root, corrections, at, frozenset())))
    return Held(root, tuple(changes))


def _times(record_id: str, corrections: Corrections, seen: set[str]) -> set[dt.datetime]:
    if record_id in seen:
        return set()
    seen.add(record_id)
    times: set[dt.datetime] = set()
    for placed in corrections.get(record_id, ()):
        times.add(placed.record.taken_at)
        times |= _times(placed.record.record_id, corrections, seen)
    return times


def _as_of(
    record: Record, corrections: Corrections, at: dt.datetime, above: frozenset[str]
) -> tuple[Record | None, dt.datetime | None]:
    """What the record says at a moment, and when it was accepted in spite of its gauge."""
    above |= {record.record_id}
    content: Record | None = record
    accepted_at = None
    in_force = []
    for position, correction in corrections.get(record.record_id, ()):
        if correction.record_id in above or correction.taken_at > at:
            continue
        says, _ = _as_of(correction, corrections, at, above)
        if isinstance(says, Correction) and says.of == record.record_id:
            in_force.append((says.taken_at, position, says))
    for _, _, says in sorted(in_force, key=lambda item: item[:2]):
        if says.void:
            content, accepted_at = None, None
        elif says.accept:
            accepted_at = says.taken_at
        else:
            content = replacement_of(says)
    return content, accepted_at


def corrections_of(connection: Connection, record_ids: Iterable[str]) -> dict[str, list[Placed]]:
    """All corrections of these records, and those of the corrections, and so on."""
    found: dict[str, list[Placed]] = {}
    waiting = set(record_ids)
    done: set[str] = set()
    while waiting:
        done |= waiting
        links = list(select_in(connection, Mends, ("of", "record_id"), "of", sorted(waiting)))
        placed = _placed(connection, {record_id for _, record_id in links})
        held = [(placed[name].position, of, name) for of, name in links if name in placed]
        for _, of, name in sorted(held):
            found.setdefault(of, []).append(placed[name])
        waiting = placed.keys() - done
    return found


def _placed(connection: Connection, record_ids: Iterable[str]) -> dict[str, Placed]:
    held = places(connection, record_ids)
    rows = select_in(connection, Journal, ("position", "body"), "position", held.values())
    bodies = dict(rows)
    return {name: Placed(at, from_body(bodies[at])) for name, at in held.items()}


_ANY = select(Mends.of).limit(1)


def any_corrections(connection: Connection) -> bool:
    """Whether there is any correction at all; mostly there is none."""
    return connection.execute(_ANY).first() is not None


def note_links(connection: Connection, corrections: Iterable[Correction]) -> None:
    """Remember which record each correction names, also one named by its own replacement."""
    links = set()
    for correction in corrections:
        says: Record = correction
        while isinstance(says, Correction):
            links.add((says.of, says.record_id))
            if not says.replacement:
                break
            says = replacement_of(says)
    known = set()
    for piece in pieces(sorted(of for of, _ in links)):
        query = select(Mends.of, Mends.record_id).where(Mends.of.in_(piece))
        known |= {(row[0], row[1]) for row in connection.execute(query)}
    insert_rows(connection, Mends, ("of", "record_id"), sorted(links - known))


def roots_of(connection: Connection, record_ids: Iterable[str]) -> set[str]:
    """The records at the far end of chains of corrections, as far as they have arrived."""
    roots: set[str] = set()
    waiting, done = set(record_ids), set()
    while waiting:
        done |= waiting
        at = places(connection, waiting).values()
        rows = list(select_in(connection, Journal, ("record_id", "kind"), "position", at))
        roots |= {name for name, kind in rows if kind not in ("correction", "catalog")}
        chained = [record_id for record_id, kind in rows if kind == "correction"]
        following = {of for (of,) in select_in(connection, Mends, ("of",), "record_id", chained)}
        waiting = following - done
    return roots


def override(connection: Connection, roots: Iterable[str]) -> list[Subject]:
    """Say anew what corrected records are and were about; returns all subjects that concerns."""
    touched: list[Subject] = []
    for piece in pieces(sorted(roots)):
        before = select(Override.serial, Override.batch, Override.gauge, Override.checked).where(
            Override.record_id.in_(piece)
        )
        touched += [Subject(*row) for row in connection.execute(before)]
        connection.execute(delete(Override).where(Override.record_id.in_(piece)))
        rows = []
        for held in load_held(connection, piece):
            if not held.changes:
                continue
            states = [held.record, *(change.content for change in held.changes)]
            for number, says in enumerate(states):
                subject = subject_of(says)
                touched.append(subject)
                last = number == len(held.changes)
                at = says.taken_at if says else None
                rows.append((held.record.record_id, number, last, at, *subject))
        columns = ("record_id", "number", "last", "taken_at", "serial", "batch", "gauge", "checked")
        insert_rows(connection, Override, columns, rows)
    return touched


def load_held(connection: Connection, record_ids: Sequence[str]) -> list[Held]:
    """Records by identity, with their changes."""
    found = _placed(connection, record_ids)
    corrections = corrections_of(connection, record_ids)
    return [resolve(placed.record, corrections) for placed in found.values()]


def begins(connection: Connection, serials: Iterable[str]) -> dict[str, int]:
    """From which position on there are records of these parts, of those that are known."""
    return dict(select_in(connection, Part, ("serial", "since"), "serial", serials))


def first_of(connection: Connection, serials: Iterable[str]) -> int:
    """Before this position there is nothing about any of these parts."""
    return min(begins(connection, serials).values(), default=1)


def histories(
    connection: Connection,
    column: str,
    names: Sequence[str],
    corrected: bool | None = None,
    since: Mapping[str, int] | None = None,
) -> dict[str, list[Held]]:
    """All records about each of some serials, batches or checked gauges, with their changes.

    `column` is `serial`, `batch` or `checked`. For a caller that has looked: `corrected` says
    whether the database has any corrections, `since` where the records of each part begin.
    """
    if corrected is None:
        corrected = any_corrections(connection)
    if since is None:
        since = begins(connection, names) if column == "serial" else {}
    found: dict[str, list[Held]] = {name: [] for name in names}
    for piece in pieces(list(names)):
        mended: set[str] = set()
        if corrected:
            query = select(Override.record_id).where(getattr(Override, column).in_(piece))
            mended = {row[0] for row in connection.execute(query)}
        first = min((since[name] for name in piece if name in since), default=None)
        for name, text in select_in(connection, Journal, (column, "body"), column, piece, first):
            held = Held(from_body(text))
            if held.record.record_id not in mended:
                found[name].append(held)
        for held in load_held(connection, sorted(mended)):
            states = [held.record, *(change.content for change in held.changes)]
            for name in {getattr(subject_of(state), column) for state in states}.intersection(
                piece
            ):
                found[name].append(held)
    return found
