"""Parts of which papers are printed: a whole one, a struck one, one with the longest serial."""

import io
from typing import Any

import pypdf
import pypdfium2
import zxingcpp
from PIL import Image

from qc.ledger.ledger import Ledger
from qc.reports.page import printing
from tests.maker import accept, record, take_catalog

WHOLE, STRUCK, LONG = "R1", "R2", "/".join(["W" * 15] * 4)[:64].ljust(64, "9")


def fill(ledger: Ledger, folder: Any) -> None:
    """Three parts of batch B1: R1 has all its plan wants, R2 was struck, LONG misses everything."""
    take_catalog(ledger, folder)
    calibration = {"check": "calibration", "reference": "E2 500 g", "due": "2026-11-01"}
    accept(
        ledger,
        [
            record("gauge-check", taken_at="2026-01-10T08:00:00", **calibration),
            record("gauge-check", taken_at="2026-03-10T08:00:00", **calibration),
            *(record("receipt", serial=serial) for serial in (WHOLE, STRUCK, LONG)),
            record("weighing", gross_g="451.23"),
            record("runout"),
            record("inspection"),
            *(record("drop", serial=STRUCK, drop_no=n, position_deg=at, drawn="random")
              for n, at in enumerate((0, 90, 0, 90), 1)),
        ],
    )  # fmt: skip


def words_of(pdf: bytes) -> str:
    """All words of a paper, however its lines are broken."""
    pages = pypdf.PdfReader(io.BytesIO(pdf)).pages
    return " ".join(" ".join(page.extract_text() for page in pages).split())


def scanned(pdf: bytes, page: int = 0, scale: float = 4) -> list[tuple[str, str]]:
    """What a decoder reads on a page: kind of code and text."""
    document = pypdfium2.PdfDocument(pdf)
    try:
        image: Image.Image = document[page].render(scale=scale).to_pil()
    finally:
        document.close()
    return sorted((str(code.format), code.text) for code in zxingcpp.read_barcodes(image))


def about(ledger: Ledger, connection: Any, size: str = "a4") -> tuple[Any, ...]:
    """What every paper is made from."""
    catalog = ledger.known(connection).catalog
    return connection, catalog, printing(connection, catalog, size)
