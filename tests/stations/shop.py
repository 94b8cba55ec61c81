"""A shop's server for tests: its people, its gate, its routes, and browsers that are signed in."""

import datetime as dt
import uuid
from contextlib import contextmanager
from functools import cache

from sqlalchemy import update
from starlette.applications import Starlette
from starlette.responses import JSONResponse
from starlette.routing import Route, WebSocketRoute
from starlette.testclient import TestClient

from qc.ledger.ledger import Ledger
from qc.ledger.writer import Writer
from qc.people import accounts, sessions, tokens
from qc.people.passwords import hashed_password
from qc.people.tables import Account
from qc.stations.app import routes
from qc.stations.gate import Gate
from qc.stations.here import Here
from tests.maker import fields, take_catalog

HOST = "http://testserver"
PASSWORD = "a long enough one"
PEOPLE = {"tom": "technician", "eva": "engineer", "olga": "owner"}


@cache
def _hash():
    """Hashed once, for it is slow on purpose."""
    return hashed_password(PASSWORD)


def now():
    return dt.datetime.now(dt.UTC)


@contextmanager
def opened(db, tmp_path):
    """The shop's database with its catalog and three people, as a server has it."""
    with Ledger(db) as ledger, Writer(ledger) as writer:
        take_catalog(ledger, tmp_path)
        with ledger.writing() as connection:
            for code, role in PEOPLE.items():
                accounts.add_person(connection, code, code.title(), role, now())
            connection.execute(update(Account).values(password=_hash()))
        yield Here(ledger, writer)


def gated(here, **gate):
    """The shop's routes, a page and a web socket that stand for the screens, behind the gate."""

    async def page(request):
        return JSONResponse({"seen": dict(request.headers)})

    async def socket(web_socket):
        await web_socket.accept()
        await web_socket.send_text("drawn")
        async for said in web_socket.iter_text():
            await web_socket.send_text(said)

    own = [
        Route("/", page),
        Route("/media/log.csv", page),
        WebSocketRoute("/_stcore/stream", socket),
    ]
    secure = gate.get("secure", False)
    return Gate(Starlette(routes=[*own, *routes(here, secure=secure)]), here, **gate)


def browser(app, here=None, code=None, station=None, base=HOST):
    """A browser; with a person it is signed in."""
    client = TestClient(app, base_url=base, follow_redirects=False, headers={"origin": base})
    if code is not None:
        with here.ledger.writing() as connection:
            keep(client, "rimqc", sessions.begin(connection, code, station, now()))
    return client


def keep(client, name, value):
    """Put a cookie where the server's own would stand."""
    client.cookies.set(name, value, domain="testserver.local")


def station_token(here, station="W1", role="technician"):
    with here.ledger.writing() as connection:
        return tokens.add_station(connection, station, now(), role)


def line(kind="weighing", **given):
    """A line as a screen sends it: who enters it is for the server to say."""
    made = {"record_id": str(uuid.uuid4()), "taken_at": now().isoformat()}
    own = fields(kind, **made | given)
    return {name: value for name, value in own.items() if name != "inspector"}
