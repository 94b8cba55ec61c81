"""The journal and its seals refuse change: on both databases by triggers.

They are made anew after every migration, since a table rebuilt on SQLite loses its triggers
without a word, and `verify` looks whether they are there.
"""

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import Connection, text

# the tables, and the columns by which a row is the same row
GUARDED = {"journal": ("position",), "seal": ("number",)}
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
# a table and its partitions: only triggers of rows come to these by themselves
_MEMBERS = """
SELECT CAST(:table AS regclass) AS relid UNION SELECT relid FROM pg_partition_tree(:table)
"""
_IN_FORCE = f"""
SELECT NOT EXISTS (
    SELECT FROM ({_MEMBERS}) AS member WHERE NOT EXISTS (
        SELECT FROM pg_trigger t JOIN pg_proc p ON p.oid = t.tgfoid
        WHERE t.tgrelid = member.relid AND t.tgname = :name
        AND t.tgenabled IN ('O', 'A') AND p.prosrc = :refuse
    )
)
"""  # noqa: S608 - our names


def wanted(dialect: str) -> dict[str, str]:
    """Name and statement of every trigger."""
    make = _sqlite if dialect == "sqlite" else _postgresql
    return {name: statement for table in GUARDED for name, statement in make(table).items()}


def present(connection: Connection) -> set[str]:
    """The names of the triggers that are in force, on every partition of their table."""
    dialect = connection.dialect.name
    if dialect == "sqlite":
        rows = connection.execute(text("SELECT name, sql FROM sqlite_master WHERE type='trigger'"))
        statements = wanted(dialect)
        return {name for name, sql in rows if statements.get(name) == sql}
    looked_for = [
        {"table": _table(name), "name": name, "refuse": _REFUSE} for name in wanted(dialect)
    ]
    return {v["name"] for v in looked_for if connection.execute(text(_IN_FORCE), v).scalar()}


@contextmanager
def inserting(connection: Connection) -> Iterator[None]:
    """Many rows to come in this transaction, which changes none: the look before each is left out.

    On SQLite it takes a tenth of an import. Nobody else can write before the transaction is over,
    and one that fails takes the trigger's going back with the rest. One that is not in force is
    not made here: `verify` shall miss it.
    """
    name = "journal_no_replace"
    lifted = name in present(connection)
    if lifted:
        connection.exec_driver_sql(f"DROP TRIGGER {name}")
    yield
    if lifted:
        connection.exec_driver_sql(wanted("sqlite")[name])


def _table(trigger: str) -> str:
    return trigger.partition("_")[0]


def _members(connection: Connection, trigger: str) -> list[str]:
    """The tables that need a trigger made for them."""
    table = _table(trigger)
    if connection.dialect.name == "sqlite" or not trigger.endswith("_truncate"):
        return [table]
    query = text(f"SELECT relid::regclass::text FROM ({_MEMBERS}) AS member")  # noqa: S608 - our names
    return [name for (name,) in connection.execute(query, {"table": table})]


def drop(connection: Connection) -> None:
    """Take the triggers away, for a migration that rebuilds their tables."""
    for name in wanted(connection.dialect.name):
        _drop(connection, name)


def _drop(connection: Connection, name: str) -> None:
    for member in _members(connection, name):
        on = "" if connection.dialect.name == "sqlite" else f" ON {member}"
        connection.execute(text(f"DROP TRIGGER IF EXISTS {name}{on}"))


def create(connection: Connection) -> None:
    """Make every trigger that is not there."""
    if connection.dialect.name == "postgresql":
        connection.execute(text(_FUNCTION))
    there = present(connection)
    for name, statement in wanted(connection.dialect.name).items():
        if name not in there:
            _drop(connection, name)
            for member in _members(connection, name):
                connection.execute(text(statement.replace(f" ON {_table(name)}", f" ON {member}")))
