"""The bytes of a file in bounded chunks, through gzip where the file is packed."""

import zlib
from collections.abc import Callable, Iterator
from contextlib import suppress
from io import FileIO

CHUNK_BYTES = 1 << 16
_GZIP = 16 + zlib.MAX_WBITS
# logs pack to a tenth or so (sample_logs); what unpacks to more than this is made to waste time
MOST_TIMES, UNASKED_BYTES = 200, 64 << 20


class DamageError(Exception):
    """The file cannot be read beyond this point; the text says why."""


def chunks(file: FileIO, gzipped: bool, progress: Callable[[int], None] | None) -> Iterator[bytes]:
    """The file's content; `progress` hears after each chunk how many bytes of the file are read.

    DamageError where the file or its packing ends the reading; all that stands before the fault
    has been yielded by then.
    """
    read = _read(file, progress)
    return _gathered(_gunzip(read)) if gzipped else read


def _read(file: FileIO, progress: Callable[[int], None] | None) -> Iterator[bytes]:
    total = 0
    while True:
        try:
            chunk = file.read(CHUNK_BYTES)
        except OSError as error:
            raise DamageError(f"the file cannot be read further: {error.strerror}") from error
        if not chunk:
            return
        total += len(chunk)
        if progress:
            progress(total)
        yield chunk


def _gunzip(packed: Iterator[bytes]) -> Iterator[bytes]:
    """Unpack one member after another, never more than a chunk at a time."""
    member, members = None, 0
    read = made = 0
    for chunk in packed:
        data = chunk
        read += len(chunk)
        while data:
            if member is None:
                data = data.lstrip(b"\0") if members else data  # RFC 1952 files may be padded
                if not data:
                    break
                member, members = zlib.decompressobj(_GZIP), members + 1
            before = member.copy()
            try:
                piece = member.decompress(data, CHUNK_BYTES)
            except zlib.error as error:
                yield _up_to_the_fault(before, data)
                raise DamageError(_fault(error, members)) from error
            yield piece
            made += len(piece)
            if made > UNASKED_BYTES + MOST_TIMES * read:
                raise DamageError(
                    f"it unpacks to more than {MOST_TIMES} times its size, as no log does; if it "
                    "is one, unpack it and import that"
                )
            data, member = (
                (member.unused_data, None) if member.eof else (member.unconsumed_tail, member)
            )
    if member is not None:
        with suppress(zlib.error):
            yield member.flush()
        if not member.eof:
            raise DamageError("the gzip data is cut off; fetch the whole file and import it again")


def _up_to_the_fault(member: "zlib._Decompress", data: bytes) -> bytes:
    """What a failed call had unpacked before it met the fault."""
    out = bytearray()
    with suppress(zlib.error):
        for at in range(len(data)):
            out += member.decompress(data[at : at + 1])
    return bytes(out)


def _fault(error: zlib.error, members: int) -> str:
    if "header" in str(error):
        return "this is not gzip data" if members == 1 else "what follows here is not gzip data"
    return f"the gzip data is damaged ({error}); fetch the file again"


def _gathered(pieces: Iterator[bytes]) -> Iterator[bytes]:
    """Small pieces joined: a file of many tiny members must not cost more than a plain one."""
    held = bytearray()
    try:
        for piece in pieces:
            held += piece
            if len(held) >= CHUNK_BYTES:
                yield bytes(held)
                held.clear()
    except DamageError:
        yield bytes(held)
        raise
    yield bytes(held)
