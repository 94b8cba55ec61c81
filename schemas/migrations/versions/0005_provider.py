"""Whom an OpenID Connect provider means by the name it gives a person."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

NAME = sa.String(255).with_variant(sa.String(255, collation="C"), "postgresql")


def upgrade() -> None:
    op.add_column("account", sa.Column("linked_to", NAME, nullable=True))
    op.create_index(op.f("ix_account_linked_to"), "account", ["linked_to"], unique=True)


def downgrade() -> None:
    op.drop_index(op.f("ix_account_linked_to"), table_name="account")
    op.drop_column("account", "linked_to")
