"""Turns on the stand packed, one row a turn; the seal of a position found by an index."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def _words(length: int) -> sa.types.TypeEngine[str]:
    return sa.String(length).with_variant(sa.String(length, collation="C"), "postgresql")


def upgrade() -> None:
    op.create_index("ix_seal_first_position", "seal", ["first_position"])
    op.create_table(
        "turn",
        sa.Column("record_id", sa.LargeBinary(16), primary_key=True),
        sa.Column("serial", _words(64), nullable=False),
        sa.Column("model", _words(64), nullable=False),
        sa.Column("batch", _words(64), nullable=False),
        sa.Column("stage", _words(20), nullable=False),
        sa.Column("direction", _words(10), nullable=False),
        sa.Column("side", _words(10), nullable=True),
        sa.Column("readings", sa.Integer, nullable=False),
        sa.Column("packed", sa.LargeBinary, nullable=False),
    )
    op.create_index("ix_turn_serial", "turn", ["serial"])
    op.create_index("ix_turn_batch", "turn", ["batch", "stage", "direction"])


def downgrade() -> None:
    op.drop_table("turn")
    op.drop_index("ix_seal_first_position", table_name="seal")
