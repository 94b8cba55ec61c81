"""People on the screen: an owner looks after them, everybody else sees who they are."""

import datetime as dt
import re
from typing import Any

import pytest

from qc.ledger.ledger import Ledger
from qc.people import accounts, tokens
from qc.people.who import Person
from qc.stations import here as here_module
from tests.dashboard.using import field, press, tables, text

OWNER = Person("O1", "Olga", "owner")


def people(db: str) -> dict[str, dict[str, Any]]:
    with Ledger(db) as ledger, ledger.reading() as connection:
        return {one["code"]: one for one in accounts.people(connection)}


def added(screen: Any, db: str) -> Any:
    app = screen(db, "people", who=OWNER)
    field(app, "Code").input("tom")
    field(app, "Name").input("Tom *T*")
    return press(app, "Make the account")


def test_an_owner_adds_a_person_whose_code_is_shown_once(screen: Any, own_db: str) -> None:
    app = added(screen, own_db)
    (shown,) = app.code
    assert re.fullmatch(r"(\w{4}-){3}\w{4}", shown.value)
    assert "tom,Tom *T*,technician,one-time code,–,✓ open" in tables(app)
    assert not app.run().code


def test_an_owner_gives_another_role_and_ends_an_account(screen: Any, own_db: str) -> None:
    app = added(screen, own_db)
    [one for one in app.selectbox if one.label == "Role"][1].select("engineer")
    app = press(app, "Give this role")
    assert people(own_db)["tom"]["role"] == "engineer"
    app = press(app, "End the account")
    assert people(own_db)["tom"]["revoked_at"] is not None
    assert "✕ ended" in tables(app)


def test_an_owner_keeps_a_gauge_for_some(screen: Any, own_db: str) -> None:
    app = added(screen, own_db)
    gauge = field(app, "Gauge or rig").value
    field(app, "May be used by").select("tom")
    app = press(app, "Keep it so")
    assert f"{gauge},tom" in tables(app)
    with Ledger(own_db) as ledger, ledger.reading() as connection:
        assert accounts.gauge_grants(connection) == {gauge: ["tom"]}


def test_an_owner_gives_and_ends_the_token_of_a_station(screen: Any, own_db: str) -> None:
    app = screen(own_db, "people", who=OWNER)
    field(app, "Station's code").input("W1")
    app = press(app, "Make its token")
    (shown,) = app.code
    with Ledger(own_db) as ledger, ledger.reading() as connection:
        assert tokens.sender(connection, shown.value) == ("W1", "technician")
    app = press(app, "End its tokens")
    assert "✕ ended" in tables(app)


def test_what_cannot_be_done_is_said_and_nothing_changes(screen: Any, own_db: str) -> None:
    app = screen(own_db, "people", who=OWNER)
    field(app, "Code").input("no code")
    app = press(app, "Make the account")
    assert "expected" in app.error[0].value
    assert people(own_db) == {}


@pytest.mark.parametrize("role", ["technician", "engineer"])
def test_nobody_else_sees_or_changes_accounts(screen: Any, own_db: str, role: str) -> None:
    added(screen, own_db)
    app = screen(own_db, "people", who=Person("x", "X", role))
    assert "You are X (x)" in text(app)
    assert not app.button
    assert not app.table


def test_an_owner_who_is_none_any_more_changes_nothing(
    screen: Any, own_db: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = screen(own_db, "people", who=OWNER)
    field(app, "Code").input("tom")
    field(app, "Name").input("Tom")
    roles = iter(["owner", "owner", "engineer"])
    changing = OWNER

    def now_is(*_: Any) -> Person:
        return changing._replace(role=next(roles, "engineer"))

    monkeypatch.setattr(here_module.Here, "person", now_is)
    app = press(app, "Make the account")
    assert "only an owner" in app.error[0].value
    assert people(own_db) == {}


def test_an_owner_links_an_account_to_what_the_provider_calls_the_person(
    screen: Any, own_db: str
) -> None:
    app = added(screen, own_db)
    assert not [one for one in app.button if one.label == "Link the account"]  # there is none
    with Ledger(own_db) as ledger, ledger.writing() as connection:
        accounts.link(connection, "tom", "t@old.test", dt.datetime.now(dt.UTC))
    app = app.run()
    field(app, "What the provider calls").input("t@shop.test")
    app = press(app, "Link the account")
    assert people(own_db)["tom"]["linked_to"] == "t@shop.test"
    assert "tom,Tom *T*,technician,provider,–,✓ open" in tables(app)
