"""Targets behind which a whole shop stands: its server's routes over an SQLite file."""

import asyncio
import atexit
import datetime as dt
import json
from contextlib import ExitStack
from functools import cache
from typing import Any

from sqlalchemy import event, func, select

from qc.ledger.ledger import Ledger
from qc.ledger.tables import Journal
from qc.ledger.writer import Writer
from qc.people import tokens
from qc.people.who import Person
from qc.stations.app import routes
from qc.stations.gate import Gate
from qc.stations.here import Here
from tests.fuzz.targets import FOLDER, Target
from tests.maker import CATALOG, take_catalog

_ANN = Person("ann", "Ann", "owner")
_HEADS = {
    "/station/records": [(b"authorization", b"Bearer ")],
    "/entry/records": [(b"content-type", b"application/json"), (b"origin", b"http://shop")],
}


class _Shop:
    """Requests into the application itself, one after another, without a network."""

    def __init__(self) -> None:
        from starlette.applications import Starlette

        closing = ExitStack()
        atexit.register(closing.close)
        db = f"sqlite:///{FOLDER}/shop.sqlite"
        Ledger(db, create=True).close()
        self.ledger = closing.enter_context(Ledger(db))
        event.listen(self.ledger.engine, "connect", _in_a_hurry)
        take_catalog(self.ledger, FOLDER, CATALOG)
        here = Here(self.ledger, closing.enter_context(Writer(self.ledger)), _ANN)
        with self.ledger.writing() as connection:
            token = tokens.add_station(connection, "W1", dt.datetime.now(dt.UTC), "owner")
        self._token = token.encode()
        self._app = Gate(Starlette(routes=routes(here, secure=False)), here)
        self._loop = asyncio.new_event_loop()

    def ask(self, path: str, content: bytes) -> tuple[int, bytes]:
        """Post a body; the status and body of the answer. Whatever the routes raise is raised."""
        return self._loop.run_until_complete(self._asked(path, content))

    async def _asked(self, path: str, content: bytes) -> tuple[int, bytes]:
        said: list[dict[str, Any]] = []
        heads = [
            (name, value + self._token if name == b"authorization" else value)
            for name, value in _HEADS[path]
        ]

        async def receive() -> dict[str, Any]:
            return {"type": "http.request", "body": content, "more_body": False}

        async def send(message: Any) -> None:
            said.append(message)

        scope = {
            "type": "http", "http_version": "1.1", "method": "POST", "scheme": "http",
            "path": path, "raw_path": path.encode(), "query_string": b"", "root_path": "",
            "headers": [(b"host", b"shop"), *heads], "client": ("127.0.0.1", 1),
            "server": ("shop", 80), "state": {},
        }  # fmt: skip
        await self._app(scope, receive, send)
        return said[0]["status"], b"".join(one.get("body", b"") for one in said[1:])

    def count(self) -> int:
        with self.ledger.reading() as connection:
            query = select(func.count(Journal.position)).where(Journal.kind != "catalog")
            return connection.execute(query).scalar_one()


def _in_a_hurry(connection: Any, _record: Any) -> None:
    connection.execute("PRAGMA synchronous=OFF").close()


@cache
def _shop() -> _Shop:
    return _Shop()


def _held(path: str, content: bytes) -> None:
    """What is said to be accepted is held, nothing else is, and sent again nothing is new."""
    shop = _shop()
    before = shop.count()
    status, answer = shop.ask(path, content)
    assert status in (200, 400, 409, 413), (status, answer)
    said = json.loads(answer)
    accepted = said["accepted"] if status == 200 else 0
    assert shop.count() - before == accepted, said
    if status == 200:
        assert len(said["refusals"]) == said["refused"]
        if path == "/station/records":
            again = json.loads(shop.ask(path, content)[1])
            assert again["accepted"] == 0
            assert again["refused"] >= said["refused"]


def posted(data: bytes) -> None:
    """The body of `POST /station/records`, into the journal."""
    _held("/station/records", data)


def entry(data: bytes) -> None:
    """The body of `POST /entry/records`, into the journal."""
    _held("/entry/records", data)


TARGETS: dict[str, Target] = {"posted": posted, "entry": entry}
