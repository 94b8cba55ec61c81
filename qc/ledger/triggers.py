"""The journal and its seals refuse change: on both databases by triggers.

They are made anew after every migration, since a table rebuilt on SQLite loses its triggers
without a word, and `verify` looks whether they are there.
"""

from sqlalchemy import Connection, text

# the tables, and the columns by which a row is the same row
GUARDED = {"journal": ("position", "record_id"), "seal": ("number",)}
_REFUSAL = "is never changed: record a correction instead"


def _sqlite(table: str) -> dict[str, str]:
    # INSERT OR REPLACE takes the old row away without a word to the other two
    there = " OR ".join(
        f"EXISTS (SELECT 1 FROM {table} WHERE {column} = NEW.{column})"  # noqa: S608 - our names
        for column in GUARDED[table]
    )
    # FAIL and not ABORT: nothing is done yet that had to be undone, and for ABORT SQLite would
    # copy every page that a row touches
    events = {"update": "UPDATE", "delete": "DELETE", "replace": "INSERT"}
    return {
        f"{table}_no_{name}": (
            f"CREATE TRIGGER {table}_no_{name} BEFORE {verb} ON {table} "
            f"{f'WHEN {there} ' if verb == 'INSERT' else ''}"
            f"BEGIN SELECT RAISE(FAIL, 'the {table} {_REFUSAL}'); END"
        )
        for name, verb in events.items()
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


_REFUSE = f"BEGIN RAISE EXCEPTION 'the % {_REFUSAL}', TG_TABLE_NAME; END"
_FUNCTION = f"""
CREATE OR REPLACE FUNCTION rimqc_refuse_change() RETURNS trigger LANGUAGE plpgsql AS $${_REFUSE}$$
"""
_ENABLED = """
SELECT t.tgname, t.tgenabled FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid
JOIN pg_namespace n ON n.oid = c.relnamespace JOIN pg_proc p ON p.oid = t.tgfoid
WHERE NOT t.tgisinternal AND n.nspname = current_schema() AND p.prosrc = :refuse
AND t.tgname LIKE c.relname || '%'
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
    rows = connection.execute(text(_ENABLED), {"refuse": _REFUSE})
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
