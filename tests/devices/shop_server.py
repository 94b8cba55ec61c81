"""The server of a shop, for those who send to it; run as a program it can be killed."""

import datetime as dt
import sys
from typing import Any

from starlette.applications import Starlette

from qc.ledger.ledger import Ledger
from qc.ledger.writer import Writer
from qc.people.tokens import add_station
from qc.stations import records
from qc.stations.app import station_application
from qc.stations.here import Here

MOST_BYTES = 200_000


def new_token(ledger: Ledger) -> str:
    """What the station `ST-1` shows from now on."""
    with ledger.writing() as connection:
        return add_station(connection, "ST-1", dt.datetime.now(dt.UTC))


def app(ledger: Ledger, writer: Writer) -> Any:
    """The stations' way in, with little patience for large bodies."""
    return Starlette(routes=records.routes(Here(ledger, writer), MOST_BYTES))


def main(db: str, host: str, port: str) -> None:
    """Serve until killed."""
    import uvicorn

    with Ledger(db) as ledger, Writer(ledger) as writer:
        served = station_application(Here(ledger, writer))
        uvicorn.run(served, host=host, port=int(port), log_level="error", ws="none")


if __name__ == "__main__":
    main(*sys.argv[1:])
