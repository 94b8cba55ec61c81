"""The journal, its seals, and what follows from them."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def words(length: int | None = None) -> sa.types.TypeEngine[str]:
    """Text compared by code points, as SQLite does."""
    kind = sa.String if length else sa.Text
    return kind(length).with_variant(kind(length, collation="C"), "postgresql")


def upgrade() -> None:
    op.create_table(
        "batch_standing",
        sa.Column("batch", words(64), nullable=False),
        sa.Column("standing", words(), nullable=False),
        sa.PrimaryKeyConstraint("batch", name=op.f("pk_batch_standing")),
    )
    op.create_table(
        "flag",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("owner", words(80), nullable=False),
        sa.Column("flag", words(30), nullable=False),
        sa.Column("severity", words(10), nullable=False),
        sa.Column("serial", words(64), nullable=True),
        sa.Column("batch", words(64), nullable=True),
        sa.Column("gauge", words(64), nullable=True),
        sa.Column("model", words(64), nullable=True),
        sa.Column("stage", words(20), nullable=True),
        sa.Column("characteristic", words(64), nullable=True),
        sa.Column("test", words(64), nullable=True),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("limit", sa.Double(), nullable=True),
        sa.Column("unit", words(), nullable=False),
        sa.Column("probability", sa.Double(), nullable=True),
        sa.Column("raised_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("closed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("closed_by", words(), nullable=True),
        sa.Column("message", words(), nullable=False),
        sa.Column("records", words(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_flag")),
    )
    with op.batch_alter_table("flag", schema=None) as batch_op:
        batch_op.create_index(
            "ix_flag_open",
            ["severity", "raised_at"],
            unique=False,
            sqlite_where=sa.text("closed_at IS NULL"),
            postgresql_where=sa.text("closed_at IS NULL"),
        )
        batch_op.create_index(batch_op.f("ix_flag_owner"), ["owner"], unique=False)

    op.create_table(
        "head",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("position", sa.BigInteger(), nullable=False),
        sa.Column("seal", sa.BigInteger(), nullable=False),
        sa.Column("seal_digest", words(64), nullable=False),
        sa.Column("catalog_position", sa.BigInteger(), nullable=False),
        sa.Column("checks_position", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_head")),
    )
    op.create_table(
        "journal",
        sa.Column(
            "position",
            sa.BigInteger().with_variant(sa.Integer(), "sqlite"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column("record_id", words(36), nullable=False),
        sa.Column("kind", words(20), nullable=False),
        sa.Column("taken_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("serial", words(64), nullable=True),
        sa.Column("batch", words(64), nullable=True),
        sa.Column("gauge", words(64), nullable=True),
        sa.Column("checked", words(64), nullable=True),
        sa.Column("digest", words(64), nullable=False),
        sa.Column("body", words(), nullable=False),
        sa.PrimaryKeyConstraint("position", name=op.f("pk_journal")),
        sa.UniqueConstraint("record_id", name=op.f("uq_journal_record_id")),
    )
    with op.batch_alter_table("journal", schema=None) as batch_op:
        batch_op.create_index(
            "ix_journal_batch",
            ["batch"],
            unique=False,
            sqlite_where=sa.text("batch IS NOT NULL"),
            postgresql_where=sa.text("batch IS NOT NULL"),
        )
        batch_op.create_index(
            "ix_journal_catalog",
            ["position"],
            unique=False,
            sqlite_where=sa.text("kind = 'catalog'"),
            postgresql_where=sa.text("kind = 'catalog'"),
        )
        batch_op.create_index(
            "ix_journal_checked",
            ["checked"],
            unique=False,
            sqlite_where=sa.text("checked IS NOT NULL"),
            postgresql_where=sa.text("checked IS NOT NULL"),
        )
        batch_op.create_index(
            "ix_journal_gauge",
            ["gauge", "taken_at"],
            unique=False,
            sqlite_where=sa.text("gauge IS NOT NULL"),
            postgresql_where=sa.text("gauge IS NOT NULL"),
        )
        batch_op.create_index(
            "ix_journal_serial",
            ["serial"],
            unique=False,
            sqlite_where=sa.text("serial IS NOT NULL"),
            postgresql_where=sa.text("serial IS NOT NULL"),
        )

    op.create_table(
        "mends",
        sa.Column("of", words(36), nullable=False),
        sa.Column("record_id", words(36), nullable=False),
        sa.PrimaryKeyConstraint("of", "record_id", name=op.f("pk_mends")),
    )
    op.create_table(
        "override",
        sa.Column("record_id", words(36), nullable=False),
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("last", sa.Boolean(), nullable=False),
        sa.Column("taken_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("serial", words(64), nullable=True),
        sa.Column("batch", words(64), nullable=True),
        sa.Column("gauge", words(64), nullable=True),
        sa.Column("checked", words(64), nullable=True),
        sa.PrimaryKeyConstraint("record_id", "number", name=op.f("pk_override")),
    )
    with op.batch_alter_table("override", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_override_batch"), ["batch"], unique=False)
        batch_op.create_index(batch_op.f("ix_override_checked"), ["checked"], unique=False)
        batch_op.create_index(batch_op.f("ix_override_gauge"), ["gauge"], unique=False)
        batch_op.create_index(batch_op.f("ix_override_serial"), ["serial"], unique=False)

    op.create_table(
        "part",
        sa.Column("serial", words(64), nullable=False),
        sa.Column("model", words(64), nullable=True),
        sa.Column("batch", words(64), nullable=True),
        sa.Column("standing", words(), nullable=False),
        sa.Column("calm_since", sa.DateTime(timezone=True), nullable=True),
        sa.Column("pair", words(64), nullable=True),
        sa.Column("pair_stage", words(20), nullable=True),
        sa.PrimaryKeyConstraint("serial", name=op.f("pk_part")),
    )
    with op.batch_alter_table("part", schema=None) as batch_op:
        batch_op.create_index(
            "ix_part_batch",
            ["batch"],
            unique=False,
            sqlite_where=sa.text("batch IS NOT NULL"),
            postgresql_where=sa.text("batch IS NOT NULL"),
        )
        batch_op.create_index(
            "ix_part_pair",
            ["pair"],
            unique=False,
            sqlite_where=sa.text("pair IS NOT NULL"),
            postgresql_where=sa.text("pair IS NOT NULL"),
        )

    op.create_table(
        "quantity",
        sa.Column("serial", words(64), nullable=False),
        sa.Column("stage", words(20), nullable=False),
        sa.Column("characteristic", words(64), nullable=False),
        sa.Column("protocol", words(64), nullable=False),
        sa.Column("model", words(64), nullable=False),
        sa.Column("batch", words(64), nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        sa.Column("u", sa.Double(), nullable=True),
        sa.Column("suspect", sa.Boolean(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("verdict", words(20), nullable=False),
        sa.Column("beyond", words(10), nullable=False),
        sa.PrimaryKeyConstraint(
            "serial", "stage", "characteristic", "protocol", name=op.f("pk_quantity")
        ),
        sqlite_with_rowid=False,
    )
    with op.batch_alter_table("quantity", schema=None) as batch_op:
        batch_op.create_index(
            "ix_quantity_stream", ["characteristic", "model", "stage", "batch"], unique=False
        )

    op.create_table(
        "seal",
        sa.Column(
            "number",
            sa.BigInteger().with_variant(sa.Integer(), "sqlite"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column("first_position", sa.BigInteger(), nullable=False),
        sa.Column("records", sa.Integer(), nullable=False),
        sa.Column("previous", words(64), nullable=False),
        sa.Column("digest", words(64), nullable=False),
        sa.Column("sealed_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_seal")),
    )
    op.create_table(
        "summary",
        sa.Column("batch", words(64), nullable=False),
        sa.Column("stage", words(20), nullable=False),
        sa.Column("characteristic", words(64), nullable=False),
        sa.Column("protocol", words(64), nullable=False),
        sa.Column("model", words(64), nullable=False),
        sa.Column("n", sa.BigInteger(), nullable=False),
        sa.Column("total", words(), nullable=False),
        sa.Column("squares", words(), nullable=False),
        sa.PrimaryKeyConstraint(
            "batch", "stage", "characteristic", "protocol", name=op.f("pk_summary")
        ),
    )
    op.create_table(
        "suspect",
        sa.Column("record_id", words(36), nullable=False),
        sa.Column("known_from", sa.DateTime(timezone=True), nullable=False),
        sa.Column("owner", words(80), nullable=False),
        sa.Column("gauge", words(64), nullable=False),
        sa.Column("taken_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("settled_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("record_id", "known_from", name=op.f("pk_suspect")),
    )
    with op.batch_alter_table("suspect", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_suspect_gauge"), ["gauge"], unique=False)
        batch_op.create_index(batch_op.f("ix_suspect_owner"), ["owner"], unique=False)

    op.create_table(
        "test",
        sa.Column("serial", words(64), nullable=False),
        sa.Column("test", words(64), nullable=False),
        sa.Column("protocol", words(64), nullable=False),
        sa.Column("model", words(64), nullable=False),
        sa.Column("batch", words(64), nullable=False),
        sa.Column("stage", words(20), nullable=False),
        sa.Column("method", words(10), nullable=False),
        sa.Column("required", sa.Double(), nullable=False),
        sa.Column("survived", sa.Double(), nullable=False),
        sa.Column("failed", sa.Double(), nullable=True),
        sa.Column("damaged", sa.Boolean(), nullable=False),
        sa.Column("first_damage", sa.Integer(), nullable=True),
        sa.Column("marks", words(), nullable=False),
        sa.Column("suspect", sa.Boolean(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("drawn", words(10), nullable=True),
        sa.PrimaryKeyConstraint("serial", "test", name=op.f("pk_test")),
    )
    with op.batch_alter_table("test", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_test_protocol"), ["protocol"], unique=False)


def downgrade() -> None:
    with op.batch_alter_table("test", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_test_protocol"))

    op.drop_table("test")
    with op.batch_alter_table("suspect", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_suspect_owner"))
        batch_op.drop_index(batch_op.f("ix_suspect_gauge"))

    op.drop_table("suspect")
    op.drop_table("summary")
    op.drop_table("seal")
    with op.batch_alter_table("quantity", schema=None) as batch_op:
        batch_op.drop_index("ix_quantity_stream")

    op.drop_table("quantity")
    with op.batch_alter_table("part", schema=None) as batch_op:
        batch_op.drop_index(
            "ix_part_pair",
            sqlite_where=sa.text("pair IS NOT NULL"),
            postgresql_where=sa.text("pair IS NOT NULL"),
        )
        batch_op.drop_index(
            "ix_part_batch",
            sqlite_where=sa.text("batch IS NOT NULL"),
            postgresql_where=sa.text("batch IS NOT NULL"),
        )

    op.drop_table("part")
    with op.batch_alter_table("override", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_override_serial"))
        batch_op.drop_index(batch_op.f("ix_override_gauge"))
        batch_op.drop_index(batch_op.f("ix_override_checked"))
        batch_op.drop_index(batch_op.f("ix_override_batch"))

    op.drop_table("override")
    op.drop_table("mends")
    with op.batch_alter_table("journal", schema=None) as batch_op:
        batch_op.drop_index(
            "ix_journal_serial",
            sqlite_where=sa.text("serial IS NOT NULL"),
            postgresql_where=sa.text("serial IS NOT NULL"),
        )
        batch_op.drop_index(
            "ix_journal_gauge",
            sqlite_where=sa.text("gauge IS NOT NULL"),
            postgresql_where=sa.text("gauge IS NOT NULL"),
        )
        batch_op.drop_index(
            "ix_journal_checked",
            sqlite_where=sa.text("checked IS NOT NULL"),
            postgresql_where=sa.text("checked IS NOT NULL"),
        )
        batch_op.drop_index(
            "ix_journal_catalog",
            sqlite_where=sa.text("kind = 'catalog'"),
            postgresql_where=sa.text("kind = 'catalog'"),
        )
        batch_op.drop_index(
            "ix_journal_batch",
            sqlite_where=sa.text("batch IS NOT NULL"),
            postgresql_where=sa.text("batch IS NOT NULL"),
        )

    op.drop_table("journal")
    op.drop_table("head")
    with op.batch_alter_table("flag", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_flag_owner"))
        batch_op.drop_index(
            "ix_flag_open",
            sqlite_where=sa.text("closed_at IS NULL"),
            postgresql_where=sa.text("closed_at IS NULL"),
        )

    op.drop_table("flag")
    op.drop_table("batch_standing")
