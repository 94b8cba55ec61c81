"""The shipped parts that something of their own ought to have kept, found without reading all."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

OUT = sa.literal_column(
    """standing LIKE '%"shipped":true,"returned":false,%' AND NOT """
    """(standing LIKE '{"held":"","rework":false,"repair":false,"scrapped":false,"sent_back":"""
    """false,%' AND standing LIKE '%"struck":false,"shipped":true,%' """
    """AND standing LIKE '%,"missing":[],"critical":[]}')"""
)


def upgrade() -> None:
    op.create_index("ix_part_out", "part", ["serial"], sqlite_where=OUT, postgresql_where=OUT)


def downgrade() -> None:
    op.drop_index("ix_part_out", table_name="part")
