"""What a reader says of a line that it cannot read, and of a file that it cannot open."""

from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

# the column or member that a refused file carries; it is no part of a record
REFUSED_BECAUSE = "refused_because"

SHOWN_CHARS = 200


class FileError(Exception):
    """A path cannot be read or written; the text names it and says what to do."""


class Refusal(NamedTuple):
    """One line that was not taken, or a whole file (its line 1).

    `raw` is what `refused` writes back out: the cells of a CSV line whose count is right, else
    the text of the line; None where there is no line to mend (a file-level refusal, a line beyond
    the length limit, the rest of a damaged file).
    """

    line: int
    field: str | None
    value: str | None
    reason: str
    raw: list[str] | str | None = None


def in_words(refusal: Mapping[str, Any]) -> str:
    """A refusal of a report in one line: `line 4, gross_g 'heavy': expected a number above 0`."""
    return f"line {refusal['line']}{', ' if refusal['field'] else ': '}{because(refusal)}"


def because(refusal: Mapping[str, Any]) -> str:
    """The same without the line: field, value and reason, as far as they are there."""
    value = repr(refusal["value"]) if refusal["value"] is not None else None
    what = " ".join(part for part in (refusal["field"], value) if part)
    return f"{what}: {refusal['reason']}" if what else str(refusal["reason"])


def first_double(names: Iterable[str]) -> str | None:
    """The first name that stood before; in one pass, however many there are."""
    before: set[str] = set()
    for name in names:
        if name in before:
            return name
        before.add(name)
    return None


def shown(text: str) -> str:
    """The text fit for a message: bytes that are no text and NULs as escapes, long ones cut."""
    cut = text if len(text) <= SHOWN_CHARS else text[: SHOWN_CHARS - 1] + "…"
    raw = encoded(cut).replace(b"\0", b"\\x00")
    return raw.decode("utf-8", "backslashreplace")


def encoded(text: str) -> bytes:
    """UTF-8, with bytes that were no text on the way in (lone surrogates here) as they were."""
    try:
        return text.encode("utf-8", "surrogateescape")
    except UnicodeEncodeError:  # half a character of a UTF-16 file has no byte of its own
        return text.encode("utf-8", "surrogatepass")
