"""The seal of a position found without reading all seals."""

from alembic import op

revision = "0009"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_index("ix_seal_first_position", "seal", ["first_position"])


def downgrade() -> None:
    op.drop_index("ix_seal_first_position", table_name="seal")
