"""Databases for tests: a fresh one for each, SQLite and PostgreSQL."""

import os
import shutil
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text
from sqlalchemy.engine import URL, make_url
from sqlalchemy.pool import NullPool

from qc.ledger.ledger import Ledger
from qc.ledger.migrate import upgrade

SERVER = os.environ.get("RIMQC_TEST_PG", "postgresql+psycopg://postgres@127.0.0.1:5432/postgres")


class Databases:
    """Makes databases of one kind; `empty` ones without tables, `new` ones ready for records."""

    def __init__(self, kind: str, empty: Callable[[], str], new: Callable[[], str]) -> None:
        self.kind, self.empty, self.new = kind, empty, new


def _on_server(statement: str) -> None:
    engine = create_engine(SERVER, poolclass=NullPool, isolation_level="AUTOCOMMIT")
    try:
        with engine.connect() as connection:
            connection.execute(text(statement))
    finally:
        engine.dispose()


def _named(name: str) -> URL:
    return make_url(SERVER).set(database=name)


def _unique() -> str:
    return f"rimqc_test_{uuid.uuid4().hex[:16]}"


def _address(url: URL) -> str:
    return url.render_as_string(hide_password=False)


@pytest.fixture(scope="session")
def sqlite_template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("template") / "template.sqlite"
    upgrade(make_url(f"sqlite:///{file}"))
    return file


@pytest.fixture(scope="session")
def pg_template() -> Iterator[str]:
    """The name of a database with our tables, to copy from."""
    try:
        _on_server("SELECT 1")
    except Exception as fault:
        if "CI" in os.environ:
            raise
        pytest.skip(f"no PostgreSQL server at {SERVER}: {fault}")
    name = _unique()
    _on_server(f"CREATE DATABASE {name}")
    try:
        upgrade(_named(name))
        yield name
    finally:
        _on_server(f"DROP DATABASE {name} WITH (FORCE)")


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
def postgresql(pg_template: str) -> Iterator[Databases]:
    made: list[str] = []

    def create(template: str = "") -> str:
        name = _unique()
        _on_server(f"CREATE DATABASE {name} {template}")
        made.append(name)
        return _address(_named(name))

    yield Databases("postgresql", create, lambda: create(f"TEMPLATE {pg_template}"))
    for name in made:
        _on_server(f"DROP DATABASE {name} WITH (FORCE)")


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
