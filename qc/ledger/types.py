"""Column types on which both databases agree."""

import datetime as dt
from functools import lru_cache

from sqlalchemy import DateTime, Dialect, LargeBinary, String, Text
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


_MINUTES = [f" {minute // 60:02}:{minute % 60:02}:" for minute in range(24 * 60)]
_SECONDS = [f"{second:02}.000000" for second in range(60)]
_day_text = lru_cache(maxsize=1000)(str)


def moment_text(at: dt.datetime) -> str:
    """A moment in UTC as SQLAlchemy writes it to SQLite; from tables, which is twice as quick."""
    if at.microsecond:
        return f"{at.date()} {at.time().isoformat('microseconds')}"
    return _day_text(at.date()) + _MINUTES[at.hour * 60 + at.minute] + _SECONDS[at.second]


def id_bytes(text: str) -> bytes:
    """A record's identity as the tables keep it; what is no UUID comes to bytes that none has."""
    try:
        kept = bytes.fromhex(text.replace("-", ""))
    except ValueError:
        kept = b""
    return kept if len(kept) == 16 else b"?" + text.encode("utf-8", "surrogatepass")


def id_text(kept: bytes) -> str:
    """The identity as records write it."""
    text = kept.hex()
    return f"{text[:8]}-{text[8:12]}-{text[12:16]}-{text[16:20]}-{text[20:]}"


class RecordId(TypeDecorator[str]):
    """A record's identity: a UUID in its usual spelling, kept as 16 bytes."""

    impl = LargeBinary(16)
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: Dialect) -> bytes | None:
        return None if value is None else id_bytes(value)

    def process_result_value(self, value: bytes | None, dialect: Dialect) -> str | None:
        # SQLite keeps any value in any column; what is none of ours comes out as it stands
        return id_text(value) if isinstance(value, bytes) else value


class Digest(TypeDecorator[str]):
    """A SHA-256 in hexadecimal, kept as 32 bytes."""

    impl = LargeBinary(32)
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: Dialect) -> bytes | None:
        return None if value is None else bytes.fromhex(value)

    def process_result_value(self, value: bytes | None, dialect: Dialect) -> str | None:
        return value.hex() if isinstance(value, bytes) else value
