"""The parts on which somebody's decision is still to come, found without reading all parts."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

WAITS = sa.literal_column(
    """standing NOT LIKE '{"held":"","rework":false,"repair":false,%' """
    """AND standing LIKE '%"scrapped":false,"sent_back":false,%'"""
)


def upgrade() -> None:
    op.create_index("ix_part_waits", "part", ["serial"], sqlite_where=WAITS, postgresql_where=WAITS)


def downgrade() -> None:
    op.drop_index("ix_part_waits", table_name="part")
