"""What the claim figure draws: every batch as its summary has it, the newest parts one by one."""

import datetime as dt
from typing import Any

from sqlalchemy import Connection, select

from qc.catalog.catalog import Catalog
from qc.catalog.entries import Batch
from qc.ledger.tables import Quantity
from qc.views.claim_facts import cells, in_order, made, of_batch
from qc.views.plain import moment, number

MOST_PARTS = 2000  # one by one; a screen shows no more


def batch_masses(
    connection: Connection, catalog: Catalog, model: str, stage: str
) -> list[dict[str, Any]]:
    """Every batch in order of making, with the claim of the mean moment of its weighings.

    Parts in doubt do not count, so a batch that has only such is not there.
    """
    stream = (model, stage)
    rows = []
    for one in in_order(catalog, cells(connection, stream)).get(stream, []):
        middle = dt.datetime.fromtimestamp(one.seconds // one.sums.n, dt.UTC)
        rows.append(
            {
                "batch": one.batch,
                "made_on": made(catalog, one.batch)[0] or None,
                "n": one.sums.n,
                "mean_g": one.sums.mean,
                "least_g": one.least,
                "most_g": one.most,
                "over": one.over,
                "under": one.under,
            }
            | _claimed(catalog, model, stage, middle)
        )
    return rows


def masses(
    connection: Connection, catalog: Catalog, model: str, stage: str, most: int = MOST_PARTS
) -> list[dict[str, Any]]:
    """The bare mass of single parts, batch by batch in order of making, with the claim of its day.

    Of the newest batches as many as hold at most `most` parts together (of a larger one its first
    parts by serial), parts in doubt included.
    """
    codes = {entry.code for entry in catalog.entries(Batch) if entry.model == model}
    codes |= {one.batch for _, one in cells(connection, (model, stage))}
    batches: list[list[dict[str, Any]]] = []
    room = most
    for batch in sorted(codes, key=lambda code: made(catalog, code), reverse=True):
        rows = _parts(connection, catalog, (model, stage), batch, most)
        if len(rows) > room and batches:
            break
        batches.append(rows)
        room -= len(rows)
        if room <= 0:
            break
    return [row for rows in reversed(batches) for row in rows]


def _parts(
    connection: Connection, catalog: Catalog, stream: tuple[str, str], batch: str, most: int
) -> list[dict[str, Any]]:
    query = (
        select(Quantity.serial, Quantity.value, Quantity.u, Quantity.at, Quantity.verdict,
               Quantity.beyond, Quantity.suspect)
        .where(*of_batch(stream, batch))
        .order_by(Quantity.serial)
        .limit(most)
    )  # fmt: skip
    return [
        {
            "serial": serial,
            "batch": batch,
            "made_on": made(catalog, batch)[0] or None,
            "bare_g": value,
            "u_g": u,
            "taken_at": moment(at),
            "verdict": verdict,
            "beyond": beyond,
            "suspect": suspect,
        }
        | _claimed(catalog, *stream, at)
        for serial, value, u, at, verdict, beyond, suspect in connection.execute(query)
    ]


def _claimed(catalog: Catalog, model: str, stage: str, at: dt.datetime) -> dict[str, Any]:
    claim = catalog.claim(model, stage, catalog.local_day(at))
    return {
        "claimed_g": number(claim.claimed_g) if claim else None,
        "over_g": number(claim.over_g) if claim else None,
        "under_g": number(claim.under_g) if claim else None,
    }
