"""CSV (RFC 4180): the header, and a record's cells a line.

A bad line is refused alone. A quoted cell may run over lines, but an unclosed quote must not
swallow what follows: a record has at most RECORD_LINES lines, and where one cannot be read its
first line is refused and reading goes on at the next physical line.
"""

import csv
from collections.abc import Iterator, Sequence
from contextlib import suppress
from typing import NamedTuple

from qc.readers.refusal import REFUSED_BECAUSE, Refusal, first_double, shown
from qc.readers.text import LINE_CHARS, TOO_LONG, Block, text_fault

RECORD_LINES = 128

# a tab or a semicolon inside a column's name is rarer than a comma: they win a tie between them
DELIMITERS = ("\t", ";", ",")

# number of the record's first line; its cells; what to write back out if it is refused
Row = tuple[int, list[str], list[str]]


class Plain(NamedTuple):
    """Consecutive lines without a quote or a fault, each a record of the right count of cells.

    `first` is the first line's number; `lines` are the same as text, ends included.
    """

    first: int
    rows: list[list[str]]
    lines: Sequence[str]


class Header(NamedTuple):
    """The first line: every name in it, how many nameless cells end it, where the record starts."""

    names: list[str]
    delimiter: str
    spare: int
    reason_at: int | None

    @property
    def columns(self) -> list[str]:
        """The names that belong to the record."""
        return [name for name in self.names if name != REFUSED_BECAUSE]


def read_header(block: Block) -> tuple[Header | Refusal, Block]:
    """The header from a file's first block, and what is left of the block after it."""
    at = next((at for at, line in enumerate(block.lines) if line.strip()), None)
    if at is None:
        return block.damage or Refusal(1, None, None, "the file is empty"), block
    number, window = block.first + at, block.lines[at : at + RECORD_LINES]
    delimiter, cells, used = _first_record(window)
    left = block._replace(first=number + used, lines=block.lines[at + used :])
    reason = next(filter(None, map(text_fault, window[:used])), None)
    if reason or not cells:
        reason = reason or "the quotes in the header do not match"
        return Refusal(number, None, shown(window[0].strip()), reason), left
    names = [cell.strip() for cell in cells]
    while len(names) > 1 and not names[-1]:
        names.pop()
    if double := first_double(names):
        return Refusal(number, shown(double), shown(double), "two columns have this name"), left
    if names.count("") > 1:
        return Refusal(number, "", "", "several columns have no name"), left
    reason_at = names.index(REFUSED_BECAUSE) if REFUSED_BECAUSE in names else None
    return Header(names, delimiter, max(1, len(cells) - len(names)), reason_at), left


def records(blocks: Iterator[Block], header: Header) -> Iterator[Row | Refusal | Plain]:
    """The records after the header, a refusal in the place of each line that cannot be read.

    A block that is plain from end to end comes as one.
    """
    width, reason_at = len(header.names), header.reason_at
    held: list[str] = []  # lines of a record that may end in the next block
    held_clean = True
    for block in blocks:
        first, lines = block.first - len(held), held + block.lines
        clean, held, at = block.clean and held_clean, [], 0
        if clean and reason_at is None and (rows := _plain_rows(lines, header)):
            yield Plain(first, rows, lines)
            at = len(lines)
        while at < len(lines):
            window = lines[at : at + RECORD_LINES]
            reader = csv.reader(window, delimiter=header.delimiter, strict=True)
            number = first + at
            done = 0  # lines of the window that are dealt with
            try:
                for cells in reader:
                    if clean and len(cells) == width:
                        if reason_at is not None:
                            del cells[reason_at]
                        yield number + done, cells, cells
                        done = reader.line_num
                        continue
                    answer, used = _odd(
                        number + done, cells, window[done : reader.line_num], header
                    )
                    if answer:
                        yield answer
                    done += used
                    if done < reader.line_num:
                        break
            except csv.Error as error:
                unfinished = reader.line_num == len(window)
                if unfinished and not done and _may_go_on(window, block):
                    held = window
                    break
                # an unfinished record behind others gets a window of its own first
                if not unfinished or not done:
                    yield _unreadable(number + done, window[done], error)
                    done += 1
            at += done
        held_clean = clean or not held
        if block.damage:
            yield block.damage


def _plain_rows(lines: list[str], header: Header) -> list[list[str]] | None:
    """The cells of all lines, where none holds a quote, is blank or has another count of cells."""
    if any('"' in line for line in lines):
        return None
    try:
        rows = list(csv.reader(lines, delimiter=header.delimiter))
    except csv.Error:  # a cell beyond the limit
        return None
    whole = len(rows) == len(lines) and set(map(len, rows)) == {len(header.names)}
    return (
        rows if whole and (len(header.names) > 1 or all(row[0].strip() for row in rows)) else None
    )


def _first_record(window: list[str]) -> tuple[str, list[str], int]:
    """The delimiter that cuts the header into most cells, these, and the lines they take."""
    best: tuple[str, list[str], int] = (",", [], 1)
    for delimiter in DELIMITERS:
        reader = csv.reader(window, delimiter=delimiter, strict=True)
        with suppress(csv.Error):
            cells = next(reader)
            # a header of one cell tells nothing: a comma it is, the last one tried
            if len(cells) > max(1, len(best[1])) or (delimiter == "," and not best[1]):
                best = (delimiter, cells, reader.line_num)
    return best


def _may_go_on(window: list[str], block: Block) -> bool:
    return len(window) < RECORD_LINES and not block.last and sum(map(len, window)) <= LINE_CHARS


def _odd(
    number: int, cells: list[str], lines: list[str], header: Header
) -> tuple[Row | Refusal | None, int]:
    """What becomes of a record that is not plainly good, and how many of its lines that settles."""
    width = len(header.names)
    if not cells or (width > 1 and len(cells) == 1 and not cells[0].strip()):
        return None, len(lines)
    extra = cells[width:]
    if len(cells) < width or len(extra) > header.spare or any(map(str.strip, extra)):
        return _miscounted(number, cells, lines, header), 1
    reason = next(filter(None, map(text_fault, lines)), None)
    kept = [cell for at, cell in enumerate(cells[:width]) if at != header.reason_at]
    if reason is None:
        return (number, kept, kept), len(lines)
    raw = None if any(line is TOO_LONG for line in lines) else kept
    named = zip(header.columns, kept, strict=True)
    field, value = next(((name, cell) for name, cell in named if text_fault(cell)), (None, ""))
    return Refusal(number, field, shown(value), reason, raw), len(lines)


def _miscounted(number: int, cells: list[str], lines: list[str], header: Header) -> Refusal:
    """Refuse the first of the record's lines."""
    width, found = len(header.names), len(cells)
    raw = None if lines[0] is TOO_LONG else lines[0].rstrip("\r\n")
    if reason := text_fault(lines[0]):
        return Refusal(number, None, raw and shown(raw), reason, raw)
    count = f"expected {width} cells, found {found}"
    if found < width:
        field = header.names[found]
        return Refusal(number, field, None, f"{count}: the line ends before {field!r}", raw)
    return Refusal(number, None, shown(cells[width]), f"{count}: too many for the header", raw)


def _unreadable(number: int, line: str, error: csv.Error) -> Refusal:
    raw = None if line is TOO_LONG else line.rstrip("\r\n")
    if reason := text_fault(line):
        return Refusal(number, None, raw and shown(raw), reason, raw)
    if "limit" in str(error):
        reason = f"a cell is longer than {csv.field_size_limit()} characters"
    else:
        reason = (
            "the quotes do not match: a quoted cell is followed by text, or not closed"
            f" within {RECORD_LINES} lines"
        )
    return Refusal(number, None, raw and shown(raw), reason, raw)
