"""Databases for tests: a fresh one for each, SQLite and PostgreSQL.

On PostgreSQL a test comes as the user that a server is, who may do no more than its work; one that
is marked `owner` as a user who may do all.
"""

import os
import shutil
import subprocess
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path

import psycopg
import pytest
from sqlalchemy import create_engine, text
from sqlalchemy.engine import make_url
from sqlalchemy.pool import NullPool

from qc.ledger.ledger import Ledger
from qc.ledger.migrate import upgrade
from tests.maker import give_rights

SERVER = os.environ.get("RIMQC_TEST_PG", "postgresql+psycopg://postgres@127.0.0.1:5432/postgres")
# no test cuts the server's power, and waiting for its disk takes a third of their time
os.environ.setdefault("PGOPTIONS", "-c synchronous_commit=off")
# a program killed by a test may have left its session behind
_END_OTHERS = (
    "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
    "WHERE datname = current_database() AND pid <> pg_backend_pid()"
)


class Databases:
    """Makes databases of one kind; `empty` ones without tables, `new` ones ready for records."""

    def __init__(self, kind: str, empty: Callable[[], str], new: Callable[[], str]) -> None:
        self.kind, self.empty, self.new = kind, empty, new


def _on_server(*statements: str, database: str | None = None) -> None:
    url = make_url(SERVER)
    engine = create_engine(
        url.set(database=database or url.database), poolclass=NullPool, isolation_level="AUTOCOMMIT"
    )
    try:
        with engine.connect() as connection:
            for statement in statements:
                connection.execute(text(statement))
    finally:
        engine.dispose()


def _unique() -> str:
    return f"rimqc_test_{uuid.uuid4().hex[:16]}"


@pytest.fixture(scope="session")
def sqlite_template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("template") / "template.sqlite"
    upgrade(make_url(f"sqlite:///{file}"))
    return file


@pytest.fixture(scope="session")
def pg_free() -> Iterator[list[str]]:
    """Names of empty databases on the server; making and dropping one costs a checkpoint."""
    try:
        _on_server("SELECT 1")
    except Exception as fault:
        if "CI" in os.environ:
            raise
        pytest.skip(f"no PostgreSQL server at {SERVER}: {fault}")
    free: list[str] = []
    yield free
    for name in free:
        _on_server(f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture(scope="session")
def pg_users(pg_free: list[str]) -> Iterator[dict[str, str]]:
    """Names for the users of `schemas/roles.sql`, which makes them."""
    users = {role: f"{role}_{_unique()}" for role in ("owner", "server", "reader")}
    yield users
    _on_server(*(f"DROP ROLE IF EXISTS {user}" for user in users.values()))


@pytest.fixture(scope="session")
def pg_tables(pg_free: list[str], pg_users: dict[str, str]) -> str:
    """Statements that make our tables, and say who may do what with them.

    Running them takes a fifth of the time of all migrations.
    """
    name = _unique()
    _on_server(f"CREATE DATABASE {name}")
    upgrade(make_url(SERVER).set(database=name))
    address = _address(name, "postgresql")
    give_rights(address, pg_users)
    dump = ["pg_dump", "--inserts", f"--dbname={address}"]
    said = subprocess.run(dump, check=True, capture_output=True, text=True).stdout
    _on_server(f"DROP DATABASE {name} WITH (FORCE)")
    return "\n".join(line for line in said.splitlines() if not line.startswith("\\"))


@pytest.fixture
def sqlite(tmp_path: Path, sqlite_template: Path) -> Databases:
    def empty() -> str:
        return f"sqlite:///{tmp_path}/{_unique()}.sqlite"

    def new() -> str:
        url = empty()
        shutil.copy(sqlite_template, url.removeprefix("sqlite:///"))
        return url

    return Databases("sqlite", empty, new)


@pytest.fixture
def postgresql(pg_free: list[str], request: pytest.FixtureRequest) -> Iterator[Databases]:
    taken: list[str] = []

    def empty() -> str:
        if not pg_free:
            pg_free.append(_unique())
            _on_server(f"CREATE DATABASE {pg_free[-1]}")
        taken.append(pg_free.pop())
        return _address(taken[-1])

    def new() -> str:
        url = empty()
        with psycopg.connect(_address(taken[-1], "postgresql")) as connection:
            connection.execute(request.getfixturevalue("pg_tables").encode())
        if request.node.get_closest_marker("owner"):
            return url
        server = request.getfixturevalue("pg_users")["server"]
        return make_url(url).set(username=server).render_as_string(hide_password=False)

    yield Databases("postgresql", empty, new)
    for name in taken:
        everybody = f"GRANT CONNECT ON DATABASE {name} TO PUBLIC"  # a test of users takes it away
        anew = ("DROP SCHEMA public CASCADE", "CREATE SCHEMA public", everybody)
        _on_server(_END_OTHERS, *anew, database=name)
        pg_free.append(name)


def _address(database: str, driver: str = "postgresql+psycopg") -> str:
    url = make_url(SERVER).set(database=database, drivername=driver)
    return url.render_as_string(hide_password=False)


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def databases(request: pytest.FixtureRequest) -> Databases:
    """Databases of each kind in turn."""
    found: Databases = request.getfixturevalue(request.param)
    return found


@pytest.fixture
def db(databases: Databases) -> str:
    """The address of a fresh database with our tables."""
    return databases.new()


@pytest.fixture
def ledger(db: str) -> Iterator[Ledger]:
    """A fresh ledger, without a catalog."""
    with Ledger(db) as opened:
        yield opened
