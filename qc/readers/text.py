"""Bytes to physical lines, in blocks, so that the good path costs nothing per line.

A block tells whether any of its lines holds something that is no text; only then does a form's
reader look at single lines.
"""

import codecs
from collections.abc import Callable, Iterator
from io import StringIO
from itertools import chain
from typing import NamedTuple

from qc.readers.refusal import Refusal
from qc.readers.stream import DamageError

LINE_CHARS = 1 << 20
BOM = "\ufeff"

# stands for a line beyond the limit; told by identity, and no clean text
TOO_LONG = "\0line too long\n"

Decode = Callable[[bytes, str, bool], tuple[str, int]]


class Block(NamedTuple):
    """Consecutive physical lines with their line ends; a line ends at LF, CRLF or a lone CR.

    The last block of a file says so; it may be empty, and its `damage` is the refusal of
    whatever could not be read after its lines.
    """

    first: int
    lines: list[str]
    clean: bool
    last: bool = False
    damage: Refusal | None = None


def blocks(chunks: Iterator[bytes]) -> Iterator[Block]:
    """Cut the content of a file into blocks of lines; memory is bounded whatever is in it."""
    first, rest, too_long, damage = 1, "", False, None
    try:
        for text in _texts(chunks):
            rest += text
            # a CR at the very end may be the first half of CRLF
            if cut := max(rest.rfind("\n"), rest.rfind("\r", 0, -1)) + 1:
                block = _block(first, rest[:cut], too_long)
                yield block
                first, rest, too_long = first + len(block.lines), rest[cut:], False
            if len(rest) > LINE_CHARS:
                rest, too_long = rest[-1:], True
    except DamageError as error:
        # a value in the line that was cut off may have lost its end: the line goes with the rest
        rest, damage = "", Refusal(first, None, None, str(error))
    yield _block(first, rest, too_long)._replace(last=True, damage=damage)


def text_fault(line: str) -> str | None:
    """Why the line is no text, or None."""
    if line is TOO_LONG:
        return f"the line is longer than {LINE_CHARS} characters"
    if "\0" in line:
        return "the line holds a NUL byte"
    if not _encodable(line):
        return "the line holds bytes that are not UTF-8 (or half a UTF-16 character)"
    return None


def _block(first: int, text: str, too_long: bool) -> Block:
    lines = _split(text)
    clean = "\0" not in text and _encodable(text)
    if lines and (too_long or len(lines[0]) > LINE_CHARS):
        lines[0], clean = TOO_LONG, False
    return Block(first, lines, clean)


def _split(text: str) -> list[str]:
    """Physical lines with their ends."""
    lines = text.splitlines(keepends=True)
    # that knows more line ends than a file has (form feed, NEL, …): right only if all ended in LF
    if len(lines) != text.count("\n"):
        lines = list(StringIO(text, newline=""))
    return lines


def _encodable(text: str) -> bool:
    if text.isascii():
        return True
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def _texts(chunks: Iterator[bytes]) -> Iterator[str]:
    """Decoded text; a byte that is no text comes as a lone surrogate, so nothing is lost."""
    head = next(chunks, b"")
    decode, errors = _decoder(head)
    rest = b""
    for chunk in chain((head,), chunks):
        text, used = decode(rest + chunk, errors, False)
        rest = (rest + chunk)[used:]
        yield text
    if decode is codecs.utf_8_decode:
        yield decode(rest, errors, True)[0]
    else:
        half = len(rest) % 2
        yield decode(rest[: len(rest) - half], errors, True)[0]
        yield "".join(chr(0xDC00 + byte) for byte in rest[len(rest) - half :])


def _decoder(head: bytes) -> tuple[Decode, str]:
    if head.startswith((codecs.BOM_UTF32_LE, codecs.BOM_UTF32_BE)):
        raise DamageError("the file is UTF-32; save it as UTF-8")
    if head.startswith(codecs.BOM_UTF16_LE):
        return codecs.utf_16_le_decode, "surrogatepass"
    if head.startswith(codecs.BOM_UTF16_BE):
        return codecs.utf_16_be_decode, "surrogatepass"
    # two ASCII characters of two bytes each: no log begins so in UTF-8
    if [byte == 0 for byte in head[:4]] in ([False, True] * 2, [True, False] * 2):
        raise DamageError("the file looks like UTF-16 without a byte-order mark; save it as UTF-8")
    return codecs.utf_8_decode, "surrogateescape"
