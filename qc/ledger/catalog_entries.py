"""Catalog entries in the journal: versions, and what a change makes necessary to judge again."""

from collections.abc import Sequence
from typing import cast

import msgspec
from sqlalchemy import Connection, select

from qc.catalog.catalog import Catalog, Recorded
from qc.catalog.entries import (
    AnyEntry,
    Baseline,
    Batch,
    CatalogEntry,
    Characteristic,
    Entry,
    FittedPart,
    Gauge,
    Inspector,
    Model,
    Protocol,
    Readout,
    Site,
    Station,
    key_of,
)
from qc.ledger.follow import Known, judge_all
from qc.ledger.journal import Prepared, prepare, sealed_at
from qc.ledger.marks import IN_CATALOG
from qc.ledger.summaries import mark_models_stale
from qc.ledger.tables import Journal
from qc.records.canonical import body, derived_id

_decoder = msgspec.json.Decoder(CatalogEntry)
# records cannot name a code that is not in the catalog, so a new one changes nothing that is held
_NEW_CODE_CHANGES_NOTHING = (Model, FittedPart, Gauge, Characteristic, Protocol, Batch, Station,
                             Inspector)  # fmt: skip


def load_catalog(connection: Connection) -> Catalog:
    """All versions of all entries, with the times they were recorded at."""
    query = select(Journal.position, Journal.body, sealed_at()).where(IN_CATALOG)
    recorded = []
    for position, text, at in connection.execute(query):
        item = _decoder.decode(text)
        recorded.append(Recorded(item.record_id, position, at, item.entry))
    return Catalog(recorded)


def prepare_entries(
    catalog: Catalog, entries: Sequence[Entry], entered_by: str | None = None
) -> list[Prepared | None]:
    """Each entry ready for the journal; None where the current version says the same."""
    newest = {key: (item.record_id, item.entry) for key, item in catalog.current.items()}
    prepared: list[Prepared | None] = []
    for entry in entries:
        key = key_of(entry)
        before = newest.get(key)
        if before is not None and before[1] == entry:
            prepared.append(None)
            continue
        version = CatalogEntry(
            entry=cast(AnyEntry, entry),
            replaces=before[0] if before else None,
            entered_by=entered_by,
        )
        record_id = derived_id(body(version))
        version = msgspec.structs.replace(version, record_id=record_id)
        newest[key] = (record_id, entry)
        prepared.append(prepare(version))
    return prepared


def rejudge_for(
    connection: Connection, known: Known, before: Catalog, entries: Sequence[Entry]
) -> None:
    """Judge again what these new versions may bear upon."""
    models: set[str | None] = set()
    for entry in entries:
        changed = key_of(entry) in before.current
        if isinstance(entry, _NEW_CODE_CHANGES_NOTHING) and not changed:
            continue
        if isinstance(entry, Station | Inspector | Readout):
            continue
        if isinstance(entry, Baseline):
            mark_models_stale(connection, [entry.model])
            continue
        if isinstance(entry, Site) and before.site and before.site.time_zone == entry.time_zone:
            continue
        models.add(getattr(entry, "model", None))
    if None in models:
        judge_all(connection, known)
        mark_models_stale(connection, None)
    elif models:
        changed_models = {model for model in models if model is not None}
        judge_all(connection, known, changed_models)
        mark_models_stale(connection, changed_models)
