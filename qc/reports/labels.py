"""Labels with Code 128 and QR, both of which hold the serial and nothing else.

On sheets, in columns and rows, from any place on, so that a sheet used in part is used up; or on a
roll, a page a label. A struck part gets no label but one that says so.
"""

import io
import math
from collections.abc import Sequence
from typing import NamedTuple

from reportlab.graphics import renderPDF
from reportlab.lib.colors import white
from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas
from sqlalchemy import Connection, select

from qc.catalog.catalog import Catalog
from qc.catalog.entries import Batch
from qc.errors import RimqcError
from qc.ledger.bulk import select_in
from qc.ledger.projections import standing_from
from qc.ledger.tables import Part
from qc.records.parsing import nearest
from qc.reports.codes import LEAST_BAR_MM, bars_at, bars_wide, qr, qr_cells
from qc.reports.page import BOLD, INK, REGULAR, SIZES, shown

STRUCK = "STRUCK · NOT FOR USE"
# a finer cell wants a better printer and reader than most shops have: common practice
_LEAST_CELL_MM = 0.25
_PAD = 2 * mm
_LEAST_SIZE = 5.0  # points


class Form(NamedTuple):
    """A page of labels in points: its size, how many labels, and the space beside them."""

    width: float
    height: float
    columns: int
    rows: int
    side: float = 0
    top: float = 0
    gap_x: float = 0
    gap_y: float = 0

    @property
    def label(self) -> tuple[float, float]:
        """Width and height of one label."""
        return (
            (self.width - 2 * self.side - (self.columns - 1) * self.gap_x) / self.columns,
            (self.height - 2 * self.top - (self.rows - 1) * self.gap_y) / self.rows,
        )

    def corner(self, place: int) -> tuple[float, float]:
        """The lower left corner of the label at a place, row by row from the upper left."""
        row, column = divmod(place, self.columns)
        width, height = self.label
        x = self.side + column * (width + self.gap_x)
        return x, self.height - self.top - (row + 1) * height - row * self.gap_y


STRUCK_MM = (105, 74)  # a label that is not overlooked


class Tag(NamedTuple):
    """What stands on a label."""

    serial: str
    below: str
    struck: bool


def sheet(
    size: str, columns: int, rows: int, *, side: float, top: float, gap_x: float, gap_y: float
) -> Form:
    """A sheet of labels; `side` and `top` margins and the gaps in mm."""
    width, height = SIZES[size]
    return Form(width, height, columns, rows, side * mm, top * mm, gap_x * mm, gap_y * mm)


A4_24 = sheet("a4", 3, 8, side=7, top=13, gap_x=2.5, gap_y=0)


def roll(width: float, height: float) -> Form:
    """A roll of single labels, sizes in mm."""
    return Form(width * mm, height * mm, 1, 1)


def tags(connection: Connection, serials: Sequence[str]) -> list[Tag]:
    """The labels of parts, in their order; RimqcError for a serial that nobody recorded."""
    columns = ("serial", "model", "batch", "standing")
    known = {row[0]: row for row in select_in(connection, Part, columns, "serial", serials)}
    unknown = [serial for serial in serials if serial not in known]
    if unknown:
        raise RimqcError(f"no record of serial {', '.join(unknown[:5])}: import its receipt first")
    return [
        Tag(
            serial,
            " · ".join(filter(None, known[serial][1:3])),
            standing_from(known[serial][3]).struck,
        )
        for serial in serials
    ]


def not_struck(found: Sequence[Tag]) -> list[str]:
    """The serials among them that no impact test has struck."""
    return [tag.serial for tag in found if not tag.struck]


def serials_of(connection: Connection, catalog: Catalog, batch: str) -> list[str]:
    """Every part of a batch; RimqcError where there is no such batch, or none of its parts."""
    if catalog.batch(batch) is None:
        raise RimqcError(f"no batch {batch} in the catalog{nearest(batch, catalog.codes(Batch))}")
    query = select(Part.serial).where(Part.batch == batch).order_by(Part.serial)
    serials = [row[0] for row in connection.execute(query)]
    if not serials:
        raise RimqcError(f"no part of batch {batch} has been received: import the receipts first")
    return serials


def labels(found: Sequence[Tag], form: Form, start: int = 1) -> bytes:
    """The PDF, from the `start`-th place of the first sheet on.

    RimqcError where a label is too small for its codes, or `start` is no place of the sheet.
    """
    if min(form.label) < 2 * _PAD + 5 * mm:
        width, height = (side / mm for side in form.label)
        raise RimqcError(
            f"a label would be {width:.0f} × {height:.0f} mm: 9 mm each way is the least; give "
            "fewer columns or rows, or smaller margins and gaps",
            2,
        )
    places = form.columns * form.rows
    if not 1 <= start <= places:
        raise RimqcError(f"--start {start}: the sheet has places 1 to {places}", 2)
    file = io.BytesIO()
    canvas = Canvas(file, pagesize=(form.width, form.height))
    canvas.setTitle("Labels")
    canvas.setAuthor("rimqc")
    for place, tag in enumerate(found, start - 1):
        if place % places == 0 and place >= start:
            canvas.showPage()
        _draw(canvas, tag, *form.corner(place % places), *form.label)
    canvas.save()
    return file.getvalue()


def _draw(canvas: Canvas, tag: Tag, x: float, y: float, width: float, height: float) -> None:
    """QR at the left with the words beside it; below, bars as wide as the label where they would
    not be too fine."""
    x, y, width, height = x + _PAD, y + _PAD, width - 2 * _PAD, height - 2 * _PAD
    if tag.struck:
        height -= _struck(canvas, x, y, width, height)
    canvas.setFillColor(INK)
    if width / bars_wide(tag.serial) >= LEAST_BAR_MM * mm:
        tall = 0.3 * height
        bars_at(canvas, tag.serial, x, y, width, tall)
        y, height = y + tall, height - tall
    side = min(height, 0.42 * width)
    _check_cells(tag.serial, side)
    renderPDF.draw(qr(tag.serial, side), canvas, x, y + height - side)
    left, room = x + side + 1 * mm, width - side - 1 * mm
    lines, size = _lines(tag.serial, min(18.0, 0.24 * height), room, height)
    top = y + height
    for line in lines:
        top -= 1.1 * size
        _fit(canvas, line, BOLD, left, top, room, size)
    if top - 0.9 * size > y:
        _fit(canvas, tag.below, REGULAR, left, top - size, room, 0.75 * size)


def _struck(canvas: Canvas, x: float, y: float, width: float, height: float) -> float:
    """The band that says so across the top; returns what it takes of the height."""
    band = max(9.0, 0.24 * height)
    canvas.setFillColor(INK)
    canvas.rect(x, y + height - band, width, band, stroke=0, fill=1)
    canvas.setFillColor(white)
    size, low = 0.7 * band, y + height - 0.75 * band
    _fit(canvas, STRUCK, BOLD, x + 2, low, width - 4, size, middle=True)
    return band + 1


def _check_cells(serial: str, side: float) -> None:
    cell = side / qr_cells(serial) / mm
    if cell < _LEAST_CELL_MM:
        raise RimqcError(
            f"the label is too small for the code of {serial}: its cells would be {cell:.2f} mm, "
            f"{_LEAST_CELL_MM} mm is the least that common readers take; choose a larger label",
            2,
        )


def _lines(serial: str, size: float, room: float, height: float) -> tuple[list[str], float]:
    """A serial on as few lines as its size allows, and that size: the largest that fits."""
    while True:
        count = math.ceil(stringWidth(serial, BOLD, size) / room)
        if 1.1 * count * size <= height or size <= _LEAST_SIZE:
            break
        size = max(_LEAST_SIZE, 0.95 * size)
    each = math.ceil(len(serial) / count)
    return [serial[i : i + each] for i in range(0, len(serial), each)], size


def _fit(
    canvas: Canvas, said: str, font: str, x: float, y: float, room: float, size: float,
    *, middle: bool = False,
) -> None:  # fmt: skip
    """One line, made smaller where it would not fit, and cut where it would be too small."""
    said = shown(said)
    size = min(size, size * room / max(stringWidth(said, font, size), 0.1))
    if size < _LEAST_SIZE:
        size = _LEAST_SIZE
        while said and stringWidth(said + "…", font, size) > room:
            said = said[:-1]
        said += "…"
    canvas.setFont(font, size)
    (canvas.drawCentredString if middle else canvas.drawString)(x + room / 2 * middle, y, said)
