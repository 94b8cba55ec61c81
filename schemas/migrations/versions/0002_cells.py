"""Summaries by gauge, station and inspector; streams whose drift waits to be judged.

What follows from the journal is dropped and made anew, empty: the program derives it again in the
same transaction.
"""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def words(length: int | None = None) -> sa.types.TypeEngine[str]:
    """Text compared by code points, as SQLite does."""
    kind = sa.String if length else sa.Text
    return kind(length).with_variant(kind(length, collation="C"), "postgresql")


def _key(*more: str) -> list[sa.Column[str]]:
    sizes = {"serial": 64, "batch": 64, "model": 64, "stage": 20}
    return [sa.Column(name, words(sizes.get(name, 64)), nullable=False) for name in more]


def _quantity(*more: sa.Column[int] | sa.Column[str]) -> None:
    op.create_table(
        "quantity",
        *_key("serial", "stage", "characteristic", "protocol", "model", "batch"),
        sa.Column("value", sa.Double(), nullable=False),
        sa.Column("u", sa.Double(), nullable=True),
        sa.Column("suspect", sa.Boolean(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("verdict", words(20), nullable=False),
        sa.Column("beyond", words(10), nullable=False),
        *more,
        sa.PrimaryKeyConstraint(
            "serial", "stage", "characteristic", "protocol", name=op.f("pk_quantity")
        ),
        sqlite_with_rowid=False,
    )
    op.create_index("ix_quantity_stream", "quantity", ["characteristic", "model", "stage", "batch"])


def upgrade() -> None:
    op.drop_table("summary")
    op.drop_index("ix_quantity_stream", table_name="quantity")
    op.drop_table("quantity")
    _quantity(
        *_key("gauge", "station", "inspector"), sa.Column("readings", sa.Integer(), nullable=False)
    )
    cell = ("batch", "stage", "characteristic", "protocol", "gauge", "station", "inspector")
    op.create_table(
        "summary",
        *_key(*cell, "model"),
        sa.Column("n", sa.BigInteger(), nullable=False),
        sa.Column("total", words(), nullable=False),
        sa.Column("squares", words(), nullable=False),
        sa.Column("seconds", words(), nullable=False),
        sa.Column("over", sa.BigInteger(), nullable=False),
        sa.Column("under", sa.BigInteger(), nullable=False),
        sa.Column("least", sa.Double(), nullable=False),
        sa.Column("most", sa.Double(), nullable=False),
        sa.PrimaryKeyConstraint(*cell, name=op.f("pk_summary")),
        sqlite_with_rowid=False,
    )
    stream = ("model", "stage", "characteristic", "protocol")
    op.create_index("ix_summary_stream", "summary", list(stream))
    op.create_table(
        "stream",
        *_key(*stream),
        sa.Column("stale", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint(*stream, name=op.f("pk_stream")),
    )
    op.create_index(
        "ix_stream_stale", "stream", ["stale"],
        sqlite_where=sa.text("stale"), postgresql_where=sa.text("stale"),
    )  # fmt: skip


def downgrade() -> None:
    op.drop_index("ix_stream_stale", table_name="stream")
    op.drop_table("stream")
    op.drop_index("ix_summary_stream", table_name="summary")
    op.drop_table("summary")
    op.drop_index("ix_quantity_stream", table_name="quantity")
    op.drop_table("quantity")
    _quantity()
    key = ("batch", "stage", "characteristic", "protocol")
    op.create_table(
        "summary",
        *_key(*key, "model"),
        sa.Column("n", sa.BigInteger(), nullable=False),
        sa.Column("total", words(), nullable=False),
        sa.Column("squares", words(), nullable=False),
        sa.PrimaryKeyConstraint(*key, name=op.f("pk_summary")),
    )
