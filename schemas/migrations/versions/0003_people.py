"""People: accounts, sessions, stations' tokens, who may use which gauge, tries to sign in."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def words(length: int | None = None) -> sa.types.TypeEngine[str]:
    """Text compared by code points, as SQLite does."""
    kind = sa.String if length else sa.Text
    return kind(length).with_variant(kind(length, collation="C"), "postgresql")


def _word(name: str, length: int | None, *, nullable: bool = False) -> sa.Column[str]:
    return sa.Column(name, words(length), nullable=nullable)


def _moment(name: str, *, nullable: bool = False) -> sa.Column[sa.DateTime]:
    return sa.Column(name, sa.DateTime(timezone=True), nullable=nullable)


def upgrade() -> None:
    op.create_table(
        "account",
        _word("code", 64),
        _word("name", 200),
        _word("role", 20),
        _word("password", None, nullable=True),
        _word("pin", None, nullable=True),
        _moment("created_at"),
        _moment("revoked_at", nullable=True),
        sa.PrimaryKeyConstraint("code", name=op.f("pk_account")),
    )
    op.create_table(
        "session",
        _word("token_digest", 64),
        _word("code", 64),
        _word("station", 64, nullable=True),
        _moment("began_at"),
        _moment("seen_at"),
        _moment("ended_at", nullable=True),
        sa.PrimaryKeyConstraint("token_digest", name=op.f("pk_session")),
    )
    op.create_index(op.f("ix_session_code"), "session", ["code"])
    op.create_table(
        "station_token",
        _word("token_digest", 64),
        _word("station", 64),
        _word("use", 10),
        _word("role", 20),
        _moment("made_at"),
        _moment("revoked_at", nullable=True),
        sa.PrimaryKeyConstraint("token_digest", name=op.f("pk_station_token")),
    )
    op.create_index(op.f("ix_station_token_station"), "station_token", ["station"])
    op.create_table(
        "gauge_grant",
        _word("gauge", 64),
        _word("code", 64),
        sa.PrimaryKeyConstraint("gauge", "code", name=op.f("pk_gauge_grant")),
    )
    op.create_table(
        "sign_in_failure",
        _word("subject", 120),
        sa.Column("count", sa.Integer(), nullable=False),
        _moment("last_at"),
        sa.PrimaryKeyConstraint("subject", name=op.f("pk_sign_in_failure")),
    )
    op.create_table(
        "one_time_code",
        _word("digest", 64),
        _word("code", 64),
        _moment("made_at"),
        sa.PrimaryKeyConstraint("digest", name=op.f("pk_one_time_code")),
    )


def downgrade() -> None:
    op.drop_table("one_time_code")
    op.drop_table("sign_in_failure")
    op.drop_table("gauge_grant")
    op.drop_index(op.f("ix_station_token_station"), table_name="station_token")
    op.drop_table("station_token")
    op.drop_index(op.f("ix_session_code"), table_name="session")
    op.drop_table("session")
    op.drop_table("account")
