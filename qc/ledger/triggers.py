"""The journal and its seals refuse change: on both databases by triggers.

They are made anew after every migration, since a table rebuilt on SQLite loses its triggers
without a word, and `verify` looks whether they are there.
"""

from sqlalchemy import Connection, text

GUARDED = ("journal", "seal")
_REFUSAL = "is never changed: record a correction instead"


def _sqlite(table: str) -> dict[str, str]:
    return {
        f"{table}_no_{verb}": (
            f"CREATE TRIGGER {table}_no_{verb} BEFORE {verb.upper()} ON {table} "
            f"BEGIN SELECT RAISE(ABORT, 'the {table} {_REFUSAL}'); END"
        )
        for verb in ("update", "delete")
    }


def _postgresql(table: str) -> dict[str, str]:
    return {
        f"{table}_no_change": (
            f"CREATE TRIGGER {table}_no_change BEFORE UPDATE OR DELETE ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION rimqc_refuse_change()"
        ),
        f"{table}_no_truncate": (
            f"CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION rimqc_refuse_change()"
        ),
    }


_FUNCTION = f"""
CREATE OR REPLACE FUNCTION rimqc_refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN RAISE EXCEPTION 'the % {_REFUSAL}', TG_TABLE_NAME; END $$
"""


def wanted(dialect: str) -> dict[str, str]:
    """Name and statement of every trigger."""
    make = _sqlite if dialect == "sqlite" else _postgresql
    return {name: statement for table in GUARDED for name, statement in make(table).items()}


def present(connection: Connection) -> set[str]:
    """The names of the triggers that are in force."""
    if connection.dialect.name == "sqlite":
        rows = connection.execute(text("SELECT name, sql FROM sqlite_master WHERE type='trigger'"))
        statements = wanted("sqlite")
        return {name for name, sql in rows if statements.get(name) == sql}
    rows = connection.execute(
        text(
            "SELECT t.tgname, t.tgenabled FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid "
            "JOIN pg_namespace n ON n.oid = c.relnamespace "
            "WHERE NOT t.tgisinternal AND n.nspname = current_schema()"
        )
    )
    return {name for name, enabled in rows if _text(enabled) in ("O", "A")}


def _text(value: object) -> str:
    return value.decode() if isinstance(value, bytes) else str(value)


def drop(connection: Connection) -> None:
    """Take the triggers away, for a migration that rebuilds their tables."""
    for table in GUARDED:
        names = _sqlite(table) if connection.dialect.name == "sqlite" else _postgresql(table)
        for name in names:
            on = "" if connection.dialect.name == "sqlite" else f" ON {table}"
            connection.execute(text(f"DROP TRIGGER IF EXISTS {name}{on}"))


def create(connection: Connection) -> None:
    """Make every trigger that is not there."""
    if connection.dialect.name == "postgresql":
        connection.execute(text(_FUNCTION))
    there = present(connection)
    for name, statement in wanted(connection.dialect.name).items():
        if name not in there:
            on = "" if connection.dialect.name == "sqlite" else f" ON {name.partition('_')[0]}"
            connection.execute(text(f"DROP TRIGGER IF EXISTS {name}{on}"))
            connection.execute(text(statement))
