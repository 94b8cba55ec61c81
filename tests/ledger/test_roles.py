"""`schemas/roles.sql`: each user of a PostgreSQL database can do its work, and nothing else."""

import uuid

import psycopg
import pytest
from sqlalchemy import select
from sqlalchemy.engine import make_url

from qc.ledger.ledger import Ledger
from qc.ledger.migrate import downgrade
from qc.ledger.tables import Identity
from qc.ledger.verify import verify
from tests.maker import accept, answer, give_rights, record, run, take_catalog, write_shop
from tests.stations import shop

pytestmark = pytest.mark.postgres
ROLES = ("owner", "server", "reader")
# what would change the past, or make it possible
FORBIDDEN = [
    "UPDATE journal SET body = body",
    "DELETE FROM journal",
    "TRUNCATE journal",
    "UPDATE seal SET digest = digest",
    "DELETE FROM seal",
    "TRUNCATE seal",
    "UPDATE identity SET position = position",
    "DELETE FROM identity",
    "DELETE FROM head",
    "TRUNCATE head",
    "TRUNCATE part",
    "DROP TABLE flag",
    "ALTER TABLE journal DISABLE TRIGGER ALL",
    "DROP TRIGGER journal_no_change ON journal",
    "ALTER TABLE seal OWNER TO CURRENT_USER",
    "UPDATE alembic_version SET version_num = '0001'",
    "CREATE TABLE public.mine (n int)",
    "CREATE TEMP TABLE mine (n int)",
    "CREATE OR REPLACE FUNCTION rimqc_refuse_change() RETURNS trigger LANGUAGE plpgsql AS 'NULL;'",
    "SELECT rimqc_begin_month('2020_01', 1)",
    "SET session_replication_role = replica",
]
SECRET = ["account", "session", "station_token", "one_time_code", "gauge_grant", "sign_in_failure"]


@pytest.fixture
def users(postgresql):
    """The addresses of an upgraded database for its three users, and how to run the script."""
    admin = make_url(postgresql.empty())
    names = {role: f"rimqc_{role}_{uuid.uuid4().hex[:10]}" for role in ROLES}
    plain = admin.set(drivername="postgresql").render_as_string(hide_password=False)

    def run_script():
        give_rights(plain, names)

    run_script()
    found = {role: admin.set(username=names[role]).render_as_string(False) for role in ROLES}
    assert run("upgrade", "--db", found["owner"])[0] == 0
    run_script()
    yield found, run_script
    with psycopg.connect(plain) as connection:
        for name in names.values():
            connection.execute(f"DROP OWNED BY {name} CASCADE")
            connection.execute(f"DROP ROLE {name}")


def tried(db, statement):
    with psycopg.connect(make_url(db).set(drivername="postgresql").render_as_string(False)) as own:
        own.execute(statement)


def test_the_server_imports_judges_verifies_and_backs_up_and_the_owner_rebuilds(users, tmp_path):
    db = users[0]["server"]
    logs = write_shop(tmp_path, parts=12)
    code, _, err = run("--db", db, "import", logs, "--refused", tmp_path / "refused")
    assert (code, err) == (1, "")  # one line is bad on purpose
    before = answer(db, "flags", "--all")
    assert before
    assert run("--db", db, "rebuild")[0] == 1  # identities are no server's to throw away
    assert run("--db", users[0]["owner"], "rebuild")[0] == 0
    assert answer(db, "flags", "--all") == before
    assert answer(db, "verify")["ok"]
    assert run("--db", db, "backup", tmp_path / "backup")[0] == 0
    code, _, err = run("--db", db, "restore", tmp_path / "backup")
    assert (code, "holds records" in err) == (2, True)


def test_the_server_signs_people_in_and_takes_records_of_stations(users, tmp_path):
    with shop.opened(users[0]["server"], tmp_path) as here:
        app = shop.gated(here)
        guest = shop.browser(app)
        given = {"person": "eva", "secret": shop.PASSWORD}
        assert guest.post("/sign-in", data={**given, "secret": "wrong"}).status_code == 403
        assert guest.post("/sign-in", data=given).status_code == 303
        assert guest.get("/").status_code == 200
        said = guest.post("/entry/records", json={"records": [shop.line("receipt")]}).json()
        assert said["accepted"] == 1
        bearer = {"Authorization": f"Bearer {shop.station_token(here)}"}
        record = shop.line() | {"inspector": "ann", "station": "W1"}
        answered = shop.browser(app).post("/station/records", json=[record], headers=bearer)
        assert answered.json()["accepted"] == 1
        assert guest.post("/sign-out").status_code == 303
        assert guest.get("/").status_code == 401


def test_the_server_answers_what_is_sent_again_alone_or_beside_what_is_new(users, tmp_path):
    first, second, third = (record("receipt", serial=f"R{n}") for n in range(3))
    with Ledger(users[0]["server"]) as ledger:
        take_catalog(ledger, tmp_path)
        assert accept(ledger, [first]) == ["accepted"]
        assert accept(ledger, [first]) == ["held"]
        assert accept(ledger, [second, first, second]) == ["accepted", "held", "held"]
        assert accept(ledger, [third, third]) == ["accepted", "held"]
        other = record("receipt", serial="R9", record_id=first.record_id)
        assert accept(ledger, [other]) == ["conflict"]
        with ledger.reading() as connection:
            assert verify(connection).first_bad is None
            assert len(connection.execute(select(Identity)).all()) == verify(connection).records


def test_the_server_begins_a_month_of_the_journal_and_cannot_take_one_away(users, tmp_path):
    found, _ = users
    newest = "SELECT max(relname) FROM pg_class WHERE relname LIKE 'journal_2%%' AND relkind = 'r'"
    with Ledger(found["server"]) as ledger:
        take_catalog(ledger, tmp_path)
        with ledger.reading() as connection:
            this_month = connection.exec_driver_sql(newest).scalar()
    tried(found["owner"], f"ALTER TABLE {this_month} RENAME TO journal_2020_01")
    with Ledger(found["server"]) as ledger:
        assert accept(ledger, [record("receipt")]) == ["accepted"]
        with ledger.reading() as connection:
            assert connection.exec_driver_sql(newest).scalar() >= this_month
            assert verify(connection).first_bad is None
    for month in (this_month, "journal_2020_01"):
        for what in (f"TRUNCATE {month}", f"DELETE FROM {month}", f"DROP TABLE {month}"):
            with pytest.raises(psycopg.errors.InsufficientPrivilege):
                tried(found["server"], what)
    with pytest.raises(psycopg.errors.InsufficientPrivilege):
        tried(found["reader"], "SELECT rimqc_open_month()")


@pytest.mark.parametrize("role", ["server", "reader"])
def test_neither_server_nor_reader_can_touch_what_is_past(users, role):
    for statement in FORBIDDEN:
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            tried(users[0][role], statement)


def test_the_reader_reports_and_proves_and_does_nothing_else(users, tmp_path):
    found, _ = users
    logs = write_shop(tmp_path, parts=12)
    run("--db", found["server"], "import", logs, "--refused", tmp_path / "refused")
    db = found["reader"]
    for words in ("flags", "claims", "margins", "drift", "trace D50-001"):
        assert answer(db, *words.split()) == answer(found["server"], *words.split()) != []
    assert answer(db, "verify")["ok"]
    assert run("--db", db, "report", "part", "D50-001", "--out", tmp_path / "p.pdf")[0] == 0
    for table in SECRET:
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            tried(db, f"SELECT * FROM {table}")
    for words in (["import", logs], ["rebuild"], ["backup", tmp_path / "backup"]):
        code, _, err = run("--db", db, *words)
        assert code == 1
        assert "permission denied" in err
        assert "schemas/roles.sql says who may do what" in err


def test_the_owner_upgrades_and_restores_and_the_server_goes_on(users, tmp_path):
    found, run_script = users
    logs = write_shop(tmp_path, parts=4)
    run("--db", found["server"], "import", logs, "--refused", tmp_path / "refused")
    before = answer(found["server"], "flags", "--all")
    run("--db", found["server"], "backup", tmp_path / "backup")
    downgrade(make_url(found["owner"]), "0003")
    code, _, err = run("--db", found["server"], "upgrade")
    assert (code, "must be owner" in err or "permission denied" in err) == (1, True)
    assert run("--db", found["owner"], "upgrade")[0] == 0
    run_script()
    assert answer(found["server"], "flags", "--all") == before
    downgrade(make_url(found["owner"]), "base")
    assert run("--db", found["owner"], "restore", tmp_path / "backup")[0] == 0
    run_script()
    assert answer(found["server"], "flags", "--all") == before
    with Ledger(found["server"]) as ledger, ledger.reading() as connection:
        assert ledger.known(connection).catalog.recorded
