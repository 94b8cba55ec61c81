"""Column types on which both databases agree."""

import datetime as dt

from sqlalchemy import DateTime, Dialect, String, Text
from sqlalchemy.types import TypeDecorator, TypeEngine


def words(length: int | None = None) -> TypeEngine[str]:
    """Text that both databases compare by code points, whatever the server's language."""
    kind = String if length else Text
    return kind(length).with_variant(kind(length, collation="C"), "postgresql")


class UTC(TypeDecorator[dt.datetime]):
    """A moment in UTC. SQLite drops offsets without a word, so only aware times may enter."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: dt.datetime | None, dialect: Dialect) -> dt.datetime | None:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"a moment needs an offset, got {value.isoformat()}")
        value = value.astimezone(dt.UTC)
        return value.replace(tzinfo=None) if dialect.name == "sqlite" else value

    def process_result_value(
        self, value: dt.datetime | None, dialect: Dialect
    ) -> dt.datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=dt.UTC) if value.tzinfo is None else value.astimezone(dt.UTC)
