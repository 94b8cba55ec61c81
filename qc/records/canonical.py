"""One byte form for a record, its digest, and the identity of a record that brings none.

The form is RFC 8785 (sorted members, no spaces); every decimal stands as a string, since that
RFC's numbers are binary and a digest must not depend on how a float prints (RFC 8785, annex D
advises the same).
"""

import uuid
from hashlib import sha256

import msgspec

from qc.records.kinds import AnyRecord, Record

_encoder = msgspec.json.Encoder(order="sorted")
_decoder = msgspec.json.Decoder(AnyRecord)


def body(record: msgspec.Struct) -> bytes:
    """The canonical JSON of a record or a catalog entry."""
    return _encoder.encode(record)


def from_body(text: bytes | str) -> Record:
    """The record that `body` wrote."""
    record: Record = _decoder.decode(text)
    return record


def digest(text: bytes) -> str:
    """SHA-256 in hex."""
    return sha256(text).hexdigest()


def derived_id(text: bytes) -> str:
    """A UUID made from content: version 8 of RFC 9562, from the first bits of its SHA-256."""
    head = bytearray(sha256(text).digest()[:16])
    head[6] = head[6] & 0x0F | 0x80
    head[8] = head[8] & 0x3F | 0x80
    return str(uuid.UUID(bytes=bytes(head)))


def same_content(one: Record, two: Record) -> bool:
    """Whether two records say the same in all fields this tool knows."""
    return msgspec.structs.replace(one, other={}) == msgspec.structs.replace(two, other={})
