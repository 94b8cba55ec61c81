"""One byte form for a record, its digest, and the identity of a record that brings none.

The form is RFC 8785 (sorted members, no spaces); every decimal stands as a string, since that
RFC's numbers are binary and a digest must not depend on how a float prints (RFC 8785, annex D
advises the same).
"""

import re
from hashlib import sha256
from typing import Any

import msgspec

from qc.records.kinds import AnyRecord, Correction, Record

_encoder = msgspec.json.Encoder(order="sorted")
_decoder = msgspec.json.Decoder(AnyRecord)
# the first byte in UTF-8 of a character beyond U+FFFF
_ASTRAL = re.compile(rb"[\xf0-\xf4]")


def body(record: msgspec.Struct) -> bytes:
    """The canonical JSON of a record or a catalog entry."""
    text = _encoder.encode(record)
    if text.isascii() or not _ASTRAL.search(text):
        return text
    return msgspec.json.encode(_by_utf16(msgspec.json.decode(text)))


def _by_utf16(value: Any) -> Any:
    """Members in the RFC's order, UTF-16 units; bytes sort otherwise only beyond U+FFFF."""
    if not isinstance(value, dict):
        return value
    ordered = sorted(value.items(), key=lambda member: member[0].encode("utf-16-be"))
    return {name: _by_utf16(inner) for name, inner in ordered}


def from_body(text: bytes | str) -> Record:
    """The record that `body` wrote."""
    record: Record = _decoder.decode(text)
    return record


def replacement_of(correction: Correction) -> Record:
    """The record that stands in for the corrected one; it keeps the original's id."""
    plain = dict(correction.replacement or {}) | {"record_id": correction.of}
    return from_body(msgspec.json.encode(plain))


def digest(text: bytes) -> str:
    """SHA-256 in hex."""
    return sha256(text).hexdigest()


def derived_id(text: bytes) -> str:
    """A UUID made from content: version 8 of RFC 9562, from the first bits of its SHA-256."""
    said = sha256(text).hexdigest()
    variant = "89ab"[int(said[16], 16) & 3]
    return f"{said[:8]}-{said[8:12]}-8{said[13:16]}-{variant}{said[17:20]}-{said[20:32]}"


def same_content(one: Record, two: Record) -> bool:
    """Whether two records of one identity say the same in all fields this tool knows.

    Who entered it makes no difference: the first one did. Nor does a note where the identity was
    made from the rest: the first note stays.
    """
    bare_one = msgspec.structs.replace(one, entered_by=None, other={})
    bare_two = msgspec.structs.replace(two, entered_by=None, other={})
    if bare_one == bare_two:
        return True
    bare_one = msgspec.structs.replace(bare_one, note=None)
    bare_two = msgspec.structs.replace(bare_two, note=None)
    content = msgspec.structs.replace(bare_one, record_id="")
    return bare_one == bare_two and derived_id(body(content)) == one.record_id
