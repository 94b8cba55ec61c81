"""The journal in months on PostgreSQL, and identities in a table of their own.

No index reaches over partitions unless the position is part of it, so what keeps a record from
being taken in twice leaves the journal, on both databases. What follows from the journal is
derived again in the same transaction.
"""

import datetime as dt

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

COLUMNS = "position, record_id, kind, taken_at, serial, batch, gauge, checked, digest, body"
# the newest month is the one whose partition has no upper end
NEWEST = """
SELECT c.relname, substring(pg_get_expr(c.relpartbound, c.oid) FROM 'FROM \\((.*)\\) TO')
FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid
WHERE i.inhparent = 'journal'::regclass
AND pg_get_expr(c.relpartbound, c.oid) LIKE '%TO (MAXVALUE)'
"""
# a month in which nothing arrived so far gives its place to the next
BEGIN = f"""
CREATE FUNCTION rimqc_begin_month(month text, first bigint) RETURNS void LANGUAGE plpgsql AS $$
DECLARE
    before text;
    begins text;
BEGIN
    {NEWEST.replace("FROM pg_inherits", "INTO STRICT before, begins FROM pg_inherits")};
    IF begins = 'MINVALUE' AND first = 1 OR begins = quote_literal(first) THEN
        IF before <> 'journal_' || month THEN
            EXECUTE format('ALTER TABLE %I RENAME TO %I', before, 'journal_' || month);
        END IF;
        RETURN;
    END IF;
    EXECUTE format('ALTER TABLE journal DETACH PARTITION %I', before);
    EXECUTE format('ALTER TABLE journal ATTACH PARTITION %I FOR VALUES FROM (%s) TO (%s)',
                   before, begins, first);
    EXECUTE format('CREATE TABLE %I PARTITION OF journal FOR VALUES FROM (%s) TO (MAXVALUE)',
                   'journal_' || month, first);
    EXECUTE format('CREATE TRIGGER journal_no_truncate BEFORE TRUNCATE ON %I '
                   'FOR EACH STATEMENT EXECUTE FUNCTION rimqc_refuse_change()',
                   'journal_' || month);
END $$
"""
# the lock of the head comes first: nobody appends; then nobody waits long for the journal's
OPEN = f"""
CREATE FUNCTION rimqc_open_month() RETURNS text LANGUAGE plpgsql
SECURITY DEFINER SET search_path = {{schema}}, pg_temp SET lock_timeout = '200ms' AS $$
DECLARE
    this text := to_char(now() AT TIME ZONE 'UTC', 'YYYY_MM');
    ends bigint;
    newest text;
BEGIN
    SELECT substr(relname, 9) INTO newest FROM ({NEWEST}) AS found;
    IF newest < this THEN
        SELECT position INTO ends FROM head FOR UPDATE;
        SELECT substr(relname, 9) INTO newest FROM ({NEWEST}) AS found;
        IF newest < this THEN
            PERFORM rimqc_begin_month(this, coalesce(ends, 0) + 1);
            newest := this;
        END IF;
    END IF;
    RETURN newest;
END $$
"""  # noqa: S608 - our names
PARTIAL = {"serial": "serial", "batch": "batch", "gauge": "gauge, taken_at", "checked": "checked"}


def upgrade() -> None:
    op.execute("DELETE FROM part")  # it follows from the journal
    op.add_column("part", sa.Column("since", sa.BigInteger(), nullable=False))
    op.create_index(op.f("ix_mends_record_id"), "mends", ["record_id"])
    if op.get_bind().dialect.name == "postgresql":
        _into_months()
    else:
        with op.batch_alter_table("journal") as batch:
            batch.drop_constraint("uq_journal_record_id", type_="unique")
    op.create_table(
        "identity",
        sa.Column("record_id", sa.LargeBinary(16), nullable=False),
        sa.Column("position", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("record_id", name=op.f("pk_identity")),
        sqlite_with_rowid=False,
    )


def downgrade() -> None:
    op.drop_table("identity")
    if op.get_bind().dialect.name == "postgresql":
        op.execute("DROP FUNCTION rimqc_open_month()")
        op.execute("DROP FUNCTION rimqc_begin_month(text, bigint)")
        _journal("")
        op.execute("ALTER TABLE journal ADD CONSTRAINT uq_journal_record_id UNIQUE (record_id)")
    else:
        with op.batch_alter_table("journal") as batch:
            batch.create_unique_constraint("uq_journal_record_id", ["record_id"])
    op.drop_index(op.f("ix_mends_record_id"), table_name="mends")
    op.drop_column("part", "since")


def _into_months() -> None:
    months = _months()
    _journal("PARTITION BY RANGE (position)", [
        f"CREATE TABLE journal_{month} PARTITION OF journal FOR VALUES FROM ({first}) TO ({end})"
        for (month, first), end in zip(
            months, [*(first for _, first in months[1:]), "MAXVALUE"], strict=True
        )
    ])  # fmt: skip
    schema = op.get_bind().execute(sa.text("SELECT quote_ident(current_schema())")).scalar_one()
    op.execute(BEGIN)
    op.execute(OPEN.format(schema=schema))


def _months() -> list[tuple[str, str]]:
    """The months in which seals were made, with where each begins; a new journal has this one."""
    query = sa.text("SELECT first_position, sealed_at FROM seal ORDER BY number")
    found: list[tuple[str, str]] = []
    for first, sealed_at in op.get_bind().execute(query):
        month = f"{sealed_at.astimezone(dt.UTC):%Y_%m}"
        if not found or month > found[-1][0]:
            found.append((month, str(first) if found else "MINVALUE"))
    return found or [(f"{dt.datetime.now(dt.UTC):%Y_%m}", "MINVALUE")]


def _journal(how: str, partitions: list[str] | None = None) -> None:
    """PostgreSQL's journal made anew, with its rows."""
    op.execute("ALTER TABLE journal RENAME TO journal_before")
    for name in ("pk_journal", "uq_journal_record_id", *(f"ix_journal_{c}" for c in PARTIAL)):
        op.execute(f"ALTER TABLE journal_before DROP CONSTRAINT IF EXISTS {name}")
        op.execute(f"DROP INDEX IF EXISTS {name}")
    op.execute("DROP INDEX ix_journal_catalog")
    op.execute(f"CREATE TABLE journal (LIKE journal_before) {how}")
    for statement in partitions or []:
        op.execute(statement)
    # rows are in the order of their places, and so they go in
    op.execute(f"INSERT INTO journal ({COLUMNS}) SELECT {COLUMNS} FROM journal_before")  # noqa: S608 - our names
    op.execute("DROP TABLE journal_before")
    op.execute("ALTER TABLE journal ADD CONSTRAINT pk_journal PRIMARY KEY (position)")
    for name, columns in PARTIAL.items():
        op.execute(
            f"CREATE INDEX ix_journal_{name} ON journal ({columns}) WHERE {name} IS NOT NULL"
        )
    op.execute("CREATE INDEX ix_journal_catalog ON journal (position) WHERE kind = 'catalog'")
