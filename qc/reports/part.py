"""The record of a part: what its customer holds in hand. It certifies nothing."""

import io
import logging
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, Table
from sqlalchemy import Connection

from qc.catalog.catalog import Catalog
from qc.errors import RimqcError
from qc.reports import page
from qc.reports.as_of import AsOf
from qc.reports.codes import qr
from qc.reports.noted import write_note
from qc.reports.page import Printing
from qc.reports.stated import Stated, stated

_QR = 38 * mm
# a record has some sheets; a file can be made to take hours to read
MOST_BYTES, MOST_DRAWN = 20_000_000, 1_000_000
_ONLY = "The parts of one batch prove that batch and no other. What was struck is never sold."


def record(connection: Connection, catalog: Catalog, printed: Printing, serial: str) -> bytes:
    """The PDF; RimqcError for a struck part, which gets no record but a label."""
    said = stated(AsOf(connection, catalog, printed.position), serial)
    if said.struck:
        raise RimqcError(
            f"part {serial} was struck in an impact test and never ships: no record of it is "
            f"printed. `rimqc report struck {serial}` prints the label for it"
        )
    return paper(said, printed, write_note(said, printed.seal, printed.digest))


def paper(said: Stated, printed: Printing, note: str) -> bytes:
    """What was stated, with its note, as a PDF."""
    title = f"Record of part {said.serial}"
    return page.build(title, printed, lambda: _story(said, printed, note, title), note)


def _story(said: Stated, printed: Printing, note: str, title: str) -> list[Flowable]:
    width, rows = printed.width, said.sections
    left = width - _QR - 4 * mm
    head = [page.text(title, page.TITLE), page.table((), rows["part"], (1, 4), left)]
    if not said.reasons:
        head.append(page.table((), rows["release"], (1, 4), left))
    top = Table([[head, qr(note, _QR)]], [left + 4 * mm, _QR])
    flush = [(f"{side}PADDING", (0, 0), (-1, -1), 0) for side in ("LEFT", "RIGHT", "TOP")]
    top.setStyle([("VALIGN", (0, 0), (-1, -1), "TOP"), *flush])
    story: list[Flowable] = [top]
    if said.reasons:
        story.append(page.text("NOT RELEASED", page.LOUD))
        story.append(page.table((), rows["release"], (1, 5), width))
    if rows["mass"]:
        story += [
            *page.heading("Bare mass against the claim, as weighed in air"),
            page.table(
                ("Stage", "Bare mass", "Standard uncertainty", "Expanded, k\u00a0=\u00a02",
                 "Claim and band", "Difference", "Verdict"),
                rows["mass"], (11, 11, 11, 10, 17, 11, 20), width, (1, 2, 3, 5),
            ),
        ]  # fmt: skip
    if rows["other"]:
        story += [
            *page.heading("Run-out, balance and other values"),
            page.table(
                ("What", "Value", "Limit", "Verdict"), rows["other"], (8, 4, 4, 6), width, (1,)
            ),
        ]
    story += [
        *page.heading("What impact tests show of its batch"),
        page.table((), rows["impact"], (1, 3), width),
        page.text(_ONLY),
    ]
    if rows["measured"]:
        story += [
            *page.heading("How it was measured"),
            page.table(
                ("What", "When", "Who", "Where", "Gauge", "Last good calibration before it"),
                rows["measured"], (20, 15, 16, 12, 9, 22), width,
            ),
        ]  # fmt: skip
    return [
        *story,
        page.text(
            "The code at the top holds serial, seal and a digest of every row above. "
            "`rimqc verify --certificate` with its text, or with this file, tells whether the "
            "paper is as it was printed, and what has changed since.",
            page.SMALL,
        ),
    ]


def read(file: Path) -> tuple[str, str]:
    """The note and the words of a part's record; RimqcError where the file is no such paper."""
    from pypdf import PdfReader

    logging.getLogger("pypdf").setLevel(logging.CRITICAL)  # what it makes of a file is said below
    try:
        if file.stat().st_size > MOST_BYTES:
            raise ValueError(f"it has more than {MOST_BYTES} bytes")
        reader = PdfReader(io.BytesIO(file.read_bytes()))
        note = reader.metadata.subject if reader.metadata else None
        words = _words(reader.pages)
    except OSError as fault:
        raise RimqcError(f"{file} cannot be read: {fault.strerror}", 2) from None
    except Exception as fault:  # the library says in many ways that a file is broken
        raise RimqcError(
            f"{file} cannot be read as a PDF ({str(fault)[:200]}); scan its code instead"
        ) from None
    if not note:
        raise RimqcError(
            f"{file} carries no note: it is no record printed by rimqc, or was written anew by "
            "another program. Scan its code and give the text instead"
        )
    return note, words


def _words(sheets: Iterable[Any]) -> str:
    """The text of the sheets; ValueError where they draw more than any record does."""
    words, drawn = [], 0
    for sheet in sheets:
        content = sheet.get_contents()
        drawn += len(content.get_data()) if content is not None else 0
        if drawn > MOST_DRAWN:
            raise ValueError(f"more than {MOST_DRAWN} bytes are drawn on its sheets")
        words.append(sheet.extract_text())
    return "".join(words)
