"""What the catalog may say of a device on a serial line: how its lines look, how it is asked.

Patterns are matched by RE2, whose time grows with the length of the line alone: no pattern that
somebody writes into the catalog can hold a bench up.
"""

import re
from typing import Any

from qc.records.rules import Rule

MOST_PATTERN = 200
GROUPS = frozenset({"value", "unit", "stable"})
_MOST_REQUEST = 40
_PIECE = re.compile(r"[ -\[\]-~]|\\[rnt\\]|\\x[0-9A-Fa-f]{2}")
_ESCAPES = {"\\r": b"\r", "\\n": b"\n", "\\t": b"\t", "\\\\": b"\\"}


def line_pattern(pattern: str) -> Any:
    """The compiled pattern; ValueError, in words, where no line could be read by it."""
    import re2

    if len(pattern) > MOST_PATTERN:
        raise ValueError(f"longer than {MOST_PATTERN} characters")
    options = re2.Options()
    options.log_errors = False
    try:
        compiled = re2.compile(pattern, options)
    except re2.error as fault:
        said = fault.args[0] if fault.args else fault
        words = said.decode("utf-8", "replace") if isinstance(said, bytes) else str(said)
        raise ValueError(f"no pattern: {words}") from None
    named = set(compiled.groupindex)
    if "value" not in named:
        raise ValueError("it needs a group (?P<value>...) that holds the number")
    if named - GROUPS:
        other = ", ".join(sorted(named - GROUPS))
        raise ValueError(f"it may name the groups value, unit and stable only, not {other}")
    return compiled


def request_bytes(text: str) -> bytes:
    """The bytes that a request stands for; ValueError where it holds something else."""
    sent, at = b"", 0
    while at < len(text):
        piece = _PIECE.match(text, at)
        if piece is None:
            raise ValueError
        word, at = piece.group(), piece.end()
        if word.startswith("\\x"):
            sent += bytes.fromhex(word[2:])
        else:
            sent += _ESCAPES.get(word) or word.encode("ascii")
    return sent


def _read_request(raw: Any) -> str:
    if not isinstance(raw, str) or not 0 < len(raw) <= _MOST_REQUEST:
        raise ValueError
    request_bytes(raw)
    return raw


REQUEST = Rule(
    f"text of at most {_MOST_REQUEST} printable characters, in single quotes, "
    r"with \r, \n, \t, \\ and \xNN for others",
    _read_request,
    {"type": "string", "maxLength": _MOST_REQUEST},
)
