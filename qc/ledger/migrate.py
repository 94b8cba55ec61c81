"""Bringing a database's schema up to date."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Engine, inspect, text
from sqlalchemy.engine import URL

from qc.errors import RimqcError
from qc.ledger import triggers
from qc.ledger.engine import open_engine, plain_faults, sqlite_file
from qc.resources import folder

# Alembic is needed for a change of the schema only, and takes as long to load as all our reading
if TYPE_CHECKING:
    from alembic.config import Config
# any two programs that migrate the same PostgreSQL database wait for each other on this number
_ADVISORY_LOCK = 0x72696D71


def config(connection: Connection | None = None) -> "Config":
    """Alembic's settings, made in code since an installed program has no pyproject.toml."""
    from alembic.config import Config

    settings = Config()
    settings.set_main_option("script_location", str(folder("schemas") / "migrations"))
    settings.attributes["connection"] = connection
    return settings


def revisions() -> list[str]:
    """All revisions of this program, oldest first: a migration's file is named after its own."""
    files = (folder("schemas") / "migrations" / "versions").iterdir()
    return sorted(file.name[:4] for file in files if file.name[:4].isdecimal())


def newest() -> str:
    """The revision this program writes."""
    return revisions()[-1]


def revision_of(connection: Connection) -> str | None:
    """The revision a database is at; None where it has none of our tables."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    found: str | None = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    return found


def upgrade(url: URL, to: str = "head") -> str:
    """Bring the schema up to date in one transaction; returns the revision reached."""
    from alembic import command

    return _run(url, lambda settings: command.upgrade(settings, to))


def downgrade(url: URL, to: str) -> str:
    """Take the schema back to an older revision."""
    from alembic import command

    return _run(url, lambda settings: command.downgrade(settings, to))


def _run(url: URL, action: Any) -> str:
    refuse_foreign(url)
    with (
        plain_faults(url),
        _connected(url, begin="BEGIN IMMEDIATE") as connection,
    ):
        _prepare(connection)
        with connection.begin():
            if connection.dialect.name == "postgresql":
                connection.execute(text("SET LOCAL lock_timeout = '60s'"))
                connection.execute(text("SELECT pg_advisory_xact_lock(:n)"), {"n": _ADVISORY_LOCK})
            refuse_newer(url, revision_of(connection))
            if has_journal(connection):
                triggers.drop(connection)
            before = revision_of(connection)
            action(config(connection))
            _check_references(connection)
            if before and revision_of(connection) == newest() != before:
                # what follows from the journal may have another form now
                from qc.ledger.rebuild import rebuild

                rebuild(connection)
            return revision_of(connection) or "none"


@contextmanager
def _connected(url: URL, *, ours: bool = True, **options: Any) -> Iterator[Connection]:
    engine = open_engine(url, pooled=False, ours=ours)
    try:
        with engine.connect().execution_options(**options) as connection:
            yield connection
    finally:
        engine.dispose()


def _prepare(connection: Connection) -> None:
    """With enforcement on, a table rebuilt on SQLite can empty those that point to it."""
    if connection.dialect.name == "sqlite":
        driver = connection.connection.driver_connection
        assert driver is not None
        driver.execute("PRAGMA foreign_keys=OFF")


def _check_references(connection: Connection) -> None:
    if connection.dialect.name == "sqlite":
        broken = connection.exec_driver_sql("PRAGMA foreign_key_check").first()
        if broken:
            raise RimqcError(f"the migration would break a reference in table {broken[0]}")


def has_journal(connection: Connection) -> bool:
    """Whether the database has our tables; a schema taken all the way back has none."""
    return inspect(connection).has_table("journal")


def refuse_foreign(url: URL) -> None:
    """A database that holds somebody else's tables is left alone."""
    file = sqlite_file(url)
    if file is not None and not file.exists():
        if not file.parent.is_dir():
            raise RimqcError(f"--db: there is no folder {file.parent}; make it first", 2)
        return
    with plain_faults(url), _connected(url, ours=False) as connection:
        tables = set(inspect(connection).get_table_names()) - {"alembic_version"}
    if tables and "journal" not in tables:
        named = ", ".join(sorted(tables)[:3])
        raise RimqcError(
            f"database {url.render_as_string()} holds other tables ({named}); "
            "name a database of its own with --db",
            2,
        )


def refuse_newer(url: URL, revision: str | None) -> None:
    """A revision that this program does not know was written by a later one."""
    if revision is not None and revision not in revisions():
        raise RimqcError(
            f"database {url.render_as_string()} was written by a newer rimqc "
            f"(schema {revision}); install that version",
            2,
        )


def is_empty(url: URL) -> bool:
    """Whether there is nothing at the address yet, or a database without our tables."""
    refuse_foreign(url)
    file = sqlite_file(url)
    if file is not None and not file.exists():
        return True
    with plain_faults(url), _connected(url, ours=False) as connection:
        return revision_of(connection) is None


def check_ready(engine: Engine, *, create: bool) -> None:
    """A database must be at this program's revision; an empty one is set up where `create`."""
    url = engine.url
    file = sqlite_file(url)
    address = url.render_as_string()
    if file is not None and not file.exists() and not create:
        raise RimqcError(
            f"no database at {file}; import logs first, or name another one with --db", 2
        )
    refuse_foreign(url)
    with plain_faults(url), engine.connect() as connection:
        revision = revision_of(connection)
    refuse_newer(url, revision)
    if revision is None:
        if not create:
            raise RimqcError(f"database {address} is empty; run: rimqc upgrade --db {address}", 2)
        upgrade(url)
    elif revision != newest():
        raise RimqcError(
            f"database {address} has an older schema ({revision}); "
            f"run: rimqc upgrade --db {address}",
            2,
        )
