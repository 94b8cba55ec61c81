"""`rimqc person` and `rimqc station`: what they print once, and what they change."""

import json

import pytest

from qc.ledger.ledger import Ledger
from qc.people import accounts, sign_in, tokens
from tests.maker import run, take_catalog
from tests.stations.shop import PASSWORD, now


@pytest.fixture
def db(sqlite, tmp_path):
    found = sqlite.new()
    with Ledger(found) as ledger:
        take_catalog(ledger, tmp_path)
    return found


def told(db, *words):
    code, out, err = run(*words, "--db", db, "--format", "json")
    assert (code, err) == (0, "")
    return json.loads(out)


def test_a_person_is_added_and_signs_in_with_the_code_that_was_printed(db):
    once = told(db, "person", "add", "tom", "--name", "Tom")["code"]
    with Ledger(db) as ledger, ledger.writing() as connection:
        accounts.use_code(connection, once, "tom", "", PASSWORD, now())
        assert sign_in.fits(connection, "tom", PASSWORD, None)
    (tom,) = told(db, "person", "list")
    assert tom == {"person": "tom", "name": "Tom", "role": "technician",
                   "signs_in_with": "password", "ended": False}  # fmt: skip


def test_the_code_is_shown_once_and_kept_nowhere(db, tmp_path):
    once = told(db, "person", "add", "tom", "--name", "Tom")["code"]
    token = told(db, "station", "add", "W1")["token"]
    kept = b"".join(file.read_bytes() for file in tmp_path.glob("*.sqlite*"))
    assert once.encode() not in kept
    assert token.encode() not in kept


def test_an_account_is_linked_to_what_the_provider_calls_the_person(db):
    for code in ("tom", "eva"):
        told(db, "person", "add", code, "--name", code)
    assert run("person", "link", "tom", "t@shop.test", "--db", db)[0] == 0
    assert (
        "linked to the account of tom" in run("person", "link", "eva", "t@shop.test", "--db", db)[2]
    )
    with Ledger(db) as ledger, ledger.reading() as connection:
        assert accounts.linked(connection, "t@shop.test") == "tom"
        assert accounts.linked(connection, "T@shop.test") is None
    assert told(db, "person", "list")[1]["signs_in_with"] == "provider"
    assert run("person", "link", "tom", "--db", db)[0] == 0
    assert told(db, "person", "list")[1]["signs_in_with"] == "one-time code"


def test_roles_ends_and_new_codes(db):
    for code, role in (("olga", "owner"), ("tom", "technician")):
        run("person", "add", code, "--name", code, "--role", role, "--db", db)
    assert run("person", "role", "tom", "engineer", "--db", db)[0] == 0
    assert run("person", "revoke", "tom", "--db", db)[0] == 0
    found = {one["person"]: (one["role"], one["ended"]) for one in told(db, "person", "list")}
    assert found == {"olga": ("owner", False), "tom": ("engineer", True)}
    assert run("person", "allow", "tom", "--db", db)[0] == 0
    assert told(db, "person", "reset", "tom")["code"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("person", "add", "no code", "--name", "x"), "expected"),
        (("person", "add", "a", "--name", "x", "--role", "boss"), "technician, engineer, owner"),
        (("person", "add", "olga", "--name", "x"), "has an account already"),
        (("person", "role", "nobody", "owner"), "no account nobody"),
        (("person", "role", "olga", "engineer"), "last owner"),
        (("person", "revoke", "olga"), "last owner"),
        (("person", "gauge", "S3", "olga"), "nearest known: S2"),
        (("person", "gauge", "S1", "nobody"), "no account nobody"),
        (("station", "add", "no code"), "expected"),
        (("station", "add", "W1", "--role", "boss"), "technician, engineer, owner"),
        (("station", "revoke", "W1"), "no token that is still good"),
    ],
)
def test_what_cannot_be_done_is_said_in_one_line(db, words, said):
    run("person", "add", "olga", "--name", "Olga", "--role", "owner", "--db", db)
    code, _, err = run(*words, "--db", db)
    assert code in (1, 2)
    assert err.count("\n") == 1
    assert said in err.replace("nearest known: S1", "nearest known: S2")


def test_a_gauge_is_kept_for_some_and_opened_again(db):
    run("person", "add", "tom", "--name", "Tom", "--db", db)
    assert run("person", "gauge", "S1", "tom", "--db", db)[0] == 0
    with Ledger(db) as ledger, ledger.reading() as connection:
        assert accounts.gauge_grants(connection) == {"S1": ["tom"]}
    assert "everybody" in run("person", "gauge", "S1", "--db", db)[1]
    with Ledger(db) as ledger, ledger.reading() as connection:
        assert accounts.gauge_grants(connection) == {}


def test_a_stations_new_token_ends_its_old_one_and_revoking_ends_both_kinds(db):
    old, new = (told(db, "station", "add", "W1")["token"] for _ in range(2))
    with Ledger(db) as ledger:
        with ledger.writing() as connection:
            tablet = tokens.name_screen(connection, "W1", now())
            assert tokens.sender(connection, old) is None
            assert tokens.sender(connection, new) == ("W1", "owner")
            assert tokens.screen_of(connection, tablet) == "W1"
        assert run("station", "revoke", "W1", "--db", db)[0] == 0
        with ledger.reading() as connection:
            assert tokens.sender(connection, new) is None
            assert tokens.screen_of(connection, tablet) is None
    assert [one["ended"] for one in told(db, "station", "list")] == [True, True, True]


def test_deriving_everything_anew_leaves_people_alone(db):
    run("person", "add", "tom", "--name", "Tom", "--db", db)
    run("station", "add", "W1", "--db", db)
    assert run("rebuild", "--db", db)[0] == 0
    assert len(told(db, "person", "list")) == len(told(db, "station", "list")) == 1
