"""Identities and digests as bytes; what a log held that is held already.

Half as long, they let the index of identities stay in memory. The journal keeps its rows; tables
that follow from it are dropped and made anew, empty: the program derives them again in the same
transaction.
"""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def words(length: int | None = None) -> sa.types.TypeEngine[str]:
    """Text compared by code points, as SQLite does."""
    kind = sa.String if length else sa.Text
    return kind(length).with_variant(kind(length, collation="C"), "postgresql")


def upgrade() -> None:
    _forget()
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            "ALTER TABLE journal "
            "ALTER record_id TYPE bytea USING decode(replace(record_id, '-', ''), 'hex'), "
            "ALTER digest TYPE bytea USING decode(digest, 'hex')"
        )
    else:
        _retype(sa.LargeBinary(16), sa.LargeBinary(32))
        _convert(_packed)
    _follows(sa.LargeBinary(16))
    op.create_table(
        "seen",
        sa.Column("digest", sa.LargeBinary(32), nullable=False),
        sa.Column("records", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("digest", name=op.f("pk_seen")),
        sqlite_with_rowid=False,
    )


def downgrade() -> None:
    op.drop_table("seen")
    _forget()
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            "ALTER TABLE journal "
            "ALTER record_id TYPE varchar(36) COLLATE \"C\" USING encode(record_id, 'hex')::uuid, "
            "ALTER digest TYPE varchar(64) COLLATE \"C\" USING encode(digest, 'hex')"
        )
    else:
        _convert(_written)
        _retype(words(36), words(64))
    _follows(words(36))


def _packed(kept: bytes) -> bytes:
    return bytes.fromhex(kept.decode().replace("-", ""))


def _written(kept: bytes) -> bytes:
    text = kept.hex()
    if len(text) == 32:
        text = f"{text[:8]}-{text[8:12]}-{text[12:16]}-{text[16:20]}-{text[20:]}"
    return text.encode()


def _convert(function: Any) -> None:
    """SQLite learned to read hexadecimal only lately."""
    driver = op.get_bind().connection.driver_connection
    assert driver is not None
    driver.create_function("rimqc_convert", 1, function, deterministic=True)
    op.execute(
        "UPDATE journal SET record_id = rimqc_convert(record_id), digest = rimqc_convert(digest)"
    )


def _retype(record_id: Any, digest: Any) -> None:
    with op.batch_alter_table("journal") as batch:
        batch.alter_column("record_id", type_=record_id, existing_nullable=False)
        batch.alter_column("digest", type_=digest, existing_nullable=False)


def _forget() -> None:
    for table in ("mends", "override", "suspect"):
        op.drop_table(table)


def _follows(record_id: Any) -> None:
    moment = sa.DateTime(timezone=True)
    op.create_table(
        "mends",
        sa.Column("of", record_id, nullable=False),
        sa.Column("record_id", record_id, nullable=False),
        sa.PrimaryKeyConstraint("of", "record_id", name=op.f("pk_mends")),
    )
    about = ("serial", "batch", "gauge", "checked")
    op.create_table(
        "override",
        sa.Column("record_id", record_id, nullable=False),
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("last", sa.Boolean(), nullable=False),
        sa.Column("taken_at", moment, nullable=True),
        *(sa.Column(name, words(64), nullable=True) for name in about),
        sa.PrimaryKeyConstraint("record_id", "number", name=op.f("pk_override")),
    )
    for name in about:
        op.create_index(f"ix_override_{name}", "override", [name])
    op.create_table(
        "suspect",
        sa.Column("record_id", record_id, nullable=False),
        sa.Column("known_from", moment, nullable=False),
        sa.Column("owner", words(80), nullable=False),
        sa.Column("gauge", words(64), nullable=False),
        sa.Column("taken_at", moment, nullable=False),
        sa.Column("settled_at", moment, nullable=True),
        sa.PrimaryKeyConstraint("record_id", "known_from", name=op.f("pk_suspect")),
    )
    op.create_index("ix_suspect_gauge", "suspect", ["gauge"])
    op.create_index("ix_suspect_owner", "suspect", ["owner"])
