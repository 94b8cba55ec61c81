"""Several servers over one database: what is done at one holds at all of them, at once."""

import threading
from contextlib import contextmanager

import pytest
from sqlalchemy import func, select, update
from starlette.websockets import WebSocketDisconnect

from qc.ledger.ledger import Ledger
from qc.ledger.tables import Journal
from qc.ledger.verify import verify
from qc.ledger.writer import Writer
from qc.people import accounts
from qc.people.tables import Failure
from qc.stations import web_sockets
from qc.stations.here import Here
from tests.maker import CATALOG, flags_of, named, take_catalog
from tests.stations.shop import (
    PASSWORD,
    browser,
    gated,
    keep,
    line,
    now,
    opened,
    station_token,
)

EVA = {"person": "eva", "secret": PASSWORD}


@contextmanager
def beside(db):
    """Another server's process over the same database."""
    with Ledger(db) as ledger, Writer(ledger) as writer:
        yield Here(ledger, writer)


@pytest.fixture
def two(db, tmp_path):
    """Two servers: each its own ledger, writer and gate."""
    with opened(db, tmp_path) as first, beside(db) as second:
        yield first, second


def moved(client, app):
    """The same browser, now led to another server."""
    other = browser(app)
    for cookie in client.cookies.jar:
        keep(other, cookie.name, cookie.value)
    return other


def test_who_signs_in_at_one_server_is_signed_in_at_the_other(two):
    first, second = map(gated, two)
    client = browser(first)
    assert moved(client, second).get("/").status_code == 401
    assert client.post("/sign-in", data=EVA).status_code == 303
    assert moved(client, second).get("/entry/me").json()["code"] == "eva"


def test_signing_out_at_one_server_closes_the_screens_of_the_other(two, monkeypatch):
    monkeypatch.setattr(web_sockets, "CHECK_EVERY_SECONDS", 0.05)
    first, second = map(gated, two)
    client = browser(first)
    client.post("/sign-in", data=EVA)
    other = moved(client, second)
    with other.websocket_connect("/_stcore/stream") as socket:
        assert socket.receive_text() == "drawn"
        assert client.post("/sign-out").status_code == 303
        with pytest.raises(WebSocketDisconnect) as closed:
            socket.receive_text()
    assert closed.value.code == 4401
    assert other.get("/").status_code == 401


def test_a_sign_in_survives_a_restart(db, tmp_path):
    with opened(db, tmp_path) as before:
        client = browser(gated(before))
        client.post("/sign-in", data=EVA)
        token = station_token(before)
    with beside(db) as after:
        app = gated(after)
        assert moved(client, app).get("/entry/me").json()["code"] == "eva"
        assert post(app, token, [line()])["refused"] == 0


def test_tries_to_sign_in_are_counted_over_all_servers(two):
    first, second = (browser(gated(here)) for here in two)
    wrong = {**EVA, "secret": "guessed"}
    said = [client.post("/sign-in", data=wrong).status_code for client in (first, second)]
    assert said == [403, 403]
    with two[0].ledger.writing() as connection:
        of_eva = Failure.subject == "account:eva"
        assert connection.execute(select(Failure.count).where(of_eva)).scalar() == 2
        connection.execute(update(Failure).where(of_eva).values(count=20))
    assert [client.post("/sign-in", data=EVA).status_code for client in (first, second)] == [
        429
    ] * 2


def test_a_person_whose_account_ends_at_one_server_is_out_at_the_other(two):
    first, second = two
    client = browser(gated(second), second, "tom")
    assert client.get("/").status_code == 200
    with first.ledger.writing() as connection:
        accounts.revoke(connection, "tom", now())
    assert client.get("/").status_code == 401


def post(app, token, lines):
    """A station's records, as one of its programs hands them in."""
    own = [{**one, "inspector": "ann", "station": "W1"} for one in lines]
    bearer = {"Authorization": f"Bearer {token}"}
    return browser(app).post("/station/records", json=own, headers=bearer).json()


def test_a_catalog_changed_at_one_server_is_obeyed_at_the_other(two, tmp_path):
    first, second = two
    app, token = gated(second), station_token(first)
    unknown = post(app, token, [line(gauge="S9")])
    assert (unknown["refused"], unknown["refusals"][0]["field"]) == (1, "gauge")
    new = '\n[[gauge]]\ncode = "S9"\nmeasures = "mass"\nunit = "g"\nresolution = 0.1\nu = 0.3\n'
    tighter = CATALOG.replace("claimed_g = 450\nover_g = 10", "claimed_g = 450\nover_g = 1")
    take_catalog(first.ledger, tmp_path, tighter + new + "due = 2060-01-01\n")
    lines = [line("receipt"), line(gauge="S9", gross_g=455)]
    assert post(app, token, lines)["accepted"] == 2
    assert named(flags_of(second.ledger)) == [("weight-over-claim", "open")]


def test_records_handed_in_at_both_servers_at_once_are_held_once(two):
    apps, token = [gated(here) for here in two], station_token(two[0])
    both = [line("receipt", serial=f"P{n}") for n in range(30)]
    own = [[line("receipt", serial=f"{name}{n}") for n in range(30)] for name in ("F", "S")]
    together, said = threading.Barrier(2), []

    def rig(app, mine):
        together.wait()
        for mine_, shared in zip(mine, both, strict=True):
            said.append(post(app, token, [mine_, shared]))

    rigs = [threading.Thread(target=rig, args=pair) for pair in zip(apps, own, strict=True)]
    for one in rigs:
        one.start()
    for one in rigs:
        one.join()
    assert sum(answer["accepted"] for answer in said) == 90
    assert sum(answer["already_held"] for answer in said) == 30
    with two[1].ledger.reading() as connection:
        held = select(func.count(), func.count(Journal.record_id.distinct()))
        held = held.where(Journal.kind == "receipt")
        assert tuple(connection.execute(held).one()) == (90, 90)
        assert verify(connection).first_bad is None
