"""Opening a database: SQLite for one bench, PostgreSQL for a shop."""

import logging
import re
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError
from sqlalchemy.pool import NullPool

from qc.errors import RimqcError

BUSY_SECONDS = 60
# connections kept, and what each may keep of the file in memory; an import keeps more
POOL, CACHE_KB, ROOMY_CACHE_KB = 20, 8192, 65_536
# a server whose machine has gone without a word is given up after half a minute, not two hours
PATIENCE = {"connect_timeout": 10, "keepalives_idle": 10, "keepalives_interval": 5,
            "keepalives_count": 4, "tcp_user_timeout": 30_000}  # fmt: skip
# a password in an address: before the host, or in the query as libpq reads it
_PASSWORDS = (
    re.compile(r"^((?!sqlite)(?:[\w+]*:/+)?+[^/@?:]*:).*(?=@)", re.DOTALL),
    re.compile(r"([?&](?:ssl)?password=)[^&]*"),
)
DRIVERS = {"sqlite": "sqlite", "postgresql": "postgresql+psycopg", "postgres": "postgresql+psycopg"}


class DatabaseError(RimqcError):
    """What the database said, or that it said nothing: no fault of what it was asked."""


def read_url(text: str) -> URL:
    """The database's address, or an error that shows how one looks.

    A PostgreSQL address may name several servers, `…@/name?host=h1:5432,h2:5432`, as libpq does.
    """
    example = "sqlite:///rimqc.sqlite or postgresql+psycopg://user@host/name"
    shown = without_password(text)
    try:
        url = make_url(text)
    except (ArgumentError, ValueError):
        raise RimqcError(f"--db {shown!r} is no database address; write {example}", 2) from None
    if "@" in (url.host or ""):  # else the rest of the password is looked up as a host
        raise RimqcError(f"--db {shown!r}: write an @ in a password as %40", 2)
    name, _, driver = url.drivername.partition("+")
    if name not in DRIVERS or (driver and url.drivername not in DRIVERS.values()):
        raise RimqcError(f"--db names a {url.drivername} database; write {example}", 2)
    if name == "sqlite" and sqlite_file(url) is None:
        raise RimqcError(f"--db {shown!r} names no file to keep the records in; write {example}", 2)
    servers = url.query.get("host")
    if isinstance(servers, str) and "," in servers and "port" not in url.query:
        # SQLAlchemy takes each one's port from a list only
        url = url.update_query_dict({"host": tuple(servers.split(","))})
    return url if driver else url.set(drivername=DRIVERS[name])


def without_password(address: str) -> str:
    """A database's address, or what was meant as one, to be shown: `***` for a password."""
    for one in _PASSWORDS:
        address = one.sub(r"\1***", address)
    return address


def open_engine(url: URL, *, pooled: bool = True, ours: bool = True) -> Engine:
    """An engine with our settings; nothing is opened yet.

    A file that may be somebody else's (not `ours`) is opened without them: they would change it.
    """
    # a statement's values may be secrets, and faults are printed
    options: dict[str, Any] = {"hide_parameters": True}
    options |= {} if pooled else {"poolclass": NullPool}
    if url.get_backend_name() == "sqlite":
        options["connect_args"] = {"timeout": BUSY_SECONDS, "check_same_thread": False}
        if pooled:  # as many as threads that answer: each one more is set up anew every time
            options["pool_size"] = POOL
    else:
        options["connect_args"] = {k: v for k, v in PATIENCE.items() if k not in url.query}
        # after a failover nobody is answered from a connection to the server that has gone
        options["pool_pre_ping"] = pooled
        # what it says of a broken line beside its error, `plain_faults` says in words
        logging.getLogger("psycopg").setLevel(logging.CRITICAL)
    try:
        engine = create_engine(url, **options)
    except (NoSuchModuleError, ImportError, ArgumentError) as fault:
        shown = without_password(url.render_as_string())
        raise RimqcError(f"--db {shown} cannot be opened: {fault}", 2) from None
    if engine.dialect.name == "sqlite" and ours:
        event.listen(engine, "connect", _set_up_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
    return engine


def _set_up_sqlite(connection: Any, _record: Any) -> None:
    connection.isolation_level = (
        None  # transactions begin where we say, not where the driver guesses
    )
    cursor = connection.cursor()
    cursor.execute(f"PRAGMA busy_timeout={BUSY_SECONDS * 1000}")
    # of a new file: rows of the journal are long
    cursor.execute("PRAGMA page_size=8192")
    _keep_a_log(cursor)
    cursor.execute("PRAGMA synchronous=FULL")
    cursor.execute("PRAGMA wal_autocheckpoint=20000")
    cursor.execute("PRAGMA foreign_keys=ON")
    cursor.execute("PRAGMA temp_store=MEMORY")
    cursor.execute(f"PRAGMA cache_size=-{CACHE_KB}")
    cursor.close()


def give_room(connection: Connection) -> None:
    """Let this connection keep more of the file in memory, for it is about to touch much of it."""
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql(f"PRAGMA cache_size=-{ROOMY_CACHE_KB}")


def _keep_a_log(cursor: Any) -> None:
    """Have a file keep its log beside it. SQLite waits here for nobody: where two programs make a
    new file at once, the one that comes second must try again."""
    import sqlite3

    until = time.monotonic() + BUSY_SECONDS
    while True:
        try:
            cursor.execute("PRAGMA journal_mode=WAL")
        except sqlite3.OperationalError as fault:
            busy = fault.sqlite_errorcode & 0xFF == sqlite3.SQLITE_BUSY
            if not busy or time.monotonic() > until:
                raise
            time.sleep(0.01)
        else:
            return


def _begin_sqlite(connection: Connection) -> None:
    how = connection.get_execution_options().get("begin", "BEGIN")
    connection.exec_driver_sql(how)


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """A transaction that will write: committed at the end, rolled back on any fault."""
    with (
        engine.connect().execution_options(begin="BEGIN IMMEDIATE") as connection,
        connection.begin(),
    ):
        yield connection


@contextmanager
def plain_faults(url: URL) -> Iterator[None]:
    """Driver errors become one line that says what to do."""
    try:
        yield
    except DBAPIError as fault:
        raise DatabaseError(explain(str(fault.orig), url), 1) from fault
    except Exception as fault:
        # rows in bulk go to the driver itself
        if not _is_of_driver(fault):
            raise
        raise DatabaseError(explain(str(fault), url), 1) from fault


def _is_of_driver(fault: Exception) -> bool:
    loaded: list[Any] = [sys.modules.get(name) for name in ("sqlite3", "psycopg")]
    return any(driver is not None and isinstance(fault, driver.Error) for driver in loaded)


_AGAIN = "nothing half done was kept; run the same again when the server is back"
_HINTS = {
    "unable to open": "check that the folder exists and may be written",
    "disk is full": "free some space and run the same command again",
    "no space left": "free some space and run the same command again",
    "disk i/o": "check the disk and its free space, then run the same command again",
    "locked": "another program holds it; close that program or try again",
    "not a database": "this file is something else; name another one with --db",
    "malformed": "the file is damaged; restore it from a copy",
    "does not exist": "create the database first, or mend the name in --db",
    "closed the connection": _AGAIN,
    "terminating connection": _AGAIN,
    "connection is lost": _AGAIN,
    "connection": "check that the server runs and that --db names it rightly",
    "authentication": "check the user and password in --db",
}
# what else is said depends on whether a file is written or a server asked
_ON_FILES = dict.fromkeys(
    ("readonly", "read-only", "permission"), "make the file and its folder writable"
)
_ON_SERVERS = {
    "read-only": "this server is a standby; name the one that takes writes in --db, or all of "
    "them with target_session_attrs=read-write",
    "permission denied": "this user may not do that; schemas/roles.sql says who may do what",
    "must be owner": "this user may not do that; schemas/roles.sql says who may do what",
}


def explain(fault: str, url: URL) -> str:
    """What a driver's error means for a person."""
    tried = re.findall(r"^- host: .*?: connection failed: (.*)", fault, re.MULTILINE)
    lines = tried or fault.strip().splitlines()[:1] or ["no reason given"]
    said = "; ".join(dict.fromkeys(lines))
    where = without_password(url.render_as_string(hide_password=True))
    hints = (_ON_FILES if url.get_backend_name() == "sqlite" else _ON_SERVERS) | _HINTS
    if len(tried) > 1:
        hints = {"failed": "none of them serves this now; run the same again when one does"}
    hint = next((hint for word, hint in hints.items() if word in said.lower()), "")
    return f"database {where}: {said}" + (f"; {hint}" if hint else "")


def sqlite_file(url: URL) -> Path | None:
    """The file of an SQLite address; None for PostgreSQL and databases in memory."""
    name = url.database or ""
    if url.get_backend_name() != "sqlite" or name in ("", ":memory:"):
        return None
    return Path(name)
