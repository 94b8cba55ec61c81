"""The look that all papers share: page, fonts, headings, tables, and the foot of every page.

Black, white and grey only, so that every printer gives the same paper. The fonts are embedded:
names and reasons may hold any Latin, Greek or Cyrillic letter, wherever the paper is opened.
"""

import datetime as dt
import io
import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NamedTuple
from xml.sax.saxutils import escape
from zoneinfo import ZoneInfo

from reportlab.lib.colors import Color, HexColor
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import registerFont, registerFontFamily
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    LongTable,
    PageTemplate,
    Paragraph,
)
from sqlalchemy import Connection, select

from qc.catalog.catalog import Catalog
from qc.ledger.tables import Head

CAUTION = (
    "This paper says what was recorded and what follows from it; it certifies nothing. Hidden "
    "damage in carbon parts can be invisible. A part that was struck never ships. Limits are the "
    "shop's own settings. Compliance is for accredited testing and the law of the place."
)
SIZES = {"a4": A4, "letter": LETTER}
REGULAR, BOLD = "rimqc", "rimqc-bold"
INK, QUIET, RULE = HexColor("#111111"), HexColor("#555555"), HexColor("#bbbbbb")
SHADE = HexColor("#eeeeee")
_SIDE, _TOP, _FOOT = 18 * mm, 16 * mm, 29 * mm

# the space before a unit
_UNIT = re.compile(r"(?<=\d) (?=(?:g|kg|mm|g·mm|N|J|%|×)(?![^\s.,;:)/]))")

_fonts = Path(__file__).with_name("fonts")
registerFont(TTFont(REGULAR, str(_fonts / "DejaVuSansCondensed.ttf")))
_bold = TTFont(BOLD, str(_fonts / "DejaVuSansCondensed-Bold.ttf"))
registerFont(_bold)
registerFontFamily(REGULAR, normal=REGULAR, bold=BOLD, italic=REGULAR, boldItalic=BOLD)


def _style(size: float, font: str = REGULAR, color: Color = INK, **more: Any) -> ParagraphStyle:
    return ParagraphStyle(
        f"{font}{size}", fontName=font, fontSize=size, leading=1.3 * size, textColor=color, **more
    )


TITLE = _style(17, BOLD, spaceAfter=2)
HEADING = _style(10.5, BOLD, spaceBefore=9, spaceAfter=3)
BODY = _style(9, spaceAfter=3)
CELL = _style(8)
NUMBER = _style(8, alignment=TA_RIGHT)
HEAD = _style(7.5, BOLD)
HEAD_NUMBER = _style(7.5, BOLD, alignment=TA_RIGHT)
LOUD = _style(22, BOLD, spaceBefore=4, spaceAfter=4)
SMALL = _style(6.5, color=QUIET)


class Printing(NamedTuple):
    """On what a paper is printed, when, and where the journal ended then.

    `size` is `a4` or `letter`; `digest` is that of the last `seal`.
    """

    size: str
    at: dt.datetime
    zone: ZoneInfo | None
    position: int
    seal: int
    digest: str

    @property
    def width(self) -> float:
        """What fits between the margins, in points."""
        return SIZES[self.size][0] - 2 * _SIDE


def printing(
    connection: Connection, catalog: Catalog, size: str = "a4", at: dt.datetime | None = None
) -> Printing:
    """A printing of now, under the newest seal."""
    head = connection.execute(select(Head.position, Head.seal, Head.seal_digest)).one_or_none()
    position, seal, digest = head or (0, 0, "0" * 64)
    return Printing(size, at or dt.datetime.now(dt.UTC), catalog.zone, position, seal, digest)


def clock(moment: dt.datetime | str, zone: ZoneInfo | None) -> str:
    """A moment as the shop's clock shows it; in UTC where the catalog has no time zone."""
    at = dt.datetime.fromisoformat(moment) if isinstance(moment, str) else moment
    return f"{at.astimezone(zone or dt.UTC):%Y-%m-%d %H:%M}" + ("" if zone else " UTC")


def shown(said: object) -> str:
    """Text as the fonts have it: what they lack becomes �, which every reader sees."""
    known = _bold.face.charToGlyph
    return "".join(c if ord(c) in known else "�" for c in str(said).replace("\n", " "))


def text(said: object, style: ParagraphStyle = BODY) -> Paragraph:
    """A paragraph; nothing in it is mark-up, a word longer than its line is broken, a number stays
    with its unit."""
    return Paragraph(escape(_UNIT.sub("\u00a0", shown(said))), style)


def heading(said: str, room: float = 28) -> list[Flowable]:
    """A heading that has some millimetres of room for what follows, or goes to the next page."""
    return [CondPageBreak(room * mm), text(said, HEADING)]


def table(
    heads: Sequence[str],
    rows: Sequence[Sequence[object]],
    shares: Sequence[float],
    width: float,
    numbers: Sequence[int] = (),
) -> LongTable:
    """Rows under their heads, which every page repeats; `shares` divide the width among the
    columns, the columns in `numbers` stand to the right."""
    styles = [(HEAD_NUMBER, NUMBER) if i in numbers else (HEAD, CELL) for i in range(len(shares))]
    cells = [[text(said, s[0]) for said, s in zip(heads, styles, strict=True)]] if heads else []
    cells += [[text(said, s[1]) for said, s in zip(row, styles, strict=True)] for row in rows]
    look: list[Any] = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LINEBELOW", (0, 0), (-1, -1), 0.4, RULE),
        ("LEFTPADDING", (0, 0), (-1, -1), 2),
        ("RIGHTPADDING", (0, 0), (-1, -1), 5),
        ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5),
    ]
    if heads:
        look.append(("BACKGROUND", (0, 0), (-1, 0), SHADE))
    whole = sum(shares)
    widths = [width * share / whole for share in shares]
    return LongTable(
        cells, widths, repeatRows=int(bool(heads)), style=look, hAlign="LEFT", spaceAfter=4
    )


def build(
    title: str, printed: Printing, story: Callable[[], list[Flowable]], subject: str = ""
) -> bytes:
    """The PDF of a story, with its foot on every page. `subject` stands in the file's own data.

    It is laid out twice, for only then is known how many pages there are.
    """
    first = _laid_out(title, printed, story(), subject, None)
    return _laid_out(title, printed, story(), subject, first[1])[0]


def _laid_out(
    title: str, printed: Printing, story: list[Flowable], subject: str, pages: int | None
) -> tuple[bytes, int]:
    file = io.BytesIO()
    size = SIZES[printed.size]
    document = BaseDocTemplate(
        file, pagesize=size, title=title, author="rimqc", subject=subject, creator="rimqc"
    )
    frame = Frame(
        *(_SIDE, _FOOT, printed.width, size[1] - _TOP - _FOOT),
        leftPadding=0, rightPadding=0, topPadding=0, bottomPadding=0,
    )  # fmt: skip

    def foot(canvas: Canvas, _: BaseDocTemplate) -> None:
        _foot(canvas, title, printed, pages)

    document.addPageTemplates(PageTemplate(frames=[frame], onPage=foot, pagesize=size))
    document.build(story)
    return file.getvalue(), document.page


def _foot(canvas: Canvas, title: str, printed: Printing, pages: int | None) -> None:
    ended = f"The database then ended with seal {printed.seal}: {printed.digest}"
    lines = (f"Printed {clock(printed.at, printed.zone)}. {ended}", CAUTION)
    y = 10 * mm
    canvas.setFillColor(INK)
    canvas.setFont(REGULAR, 7.5)
    canvas.drawRightString(
        _SIDE + printed.width, y, f"page {canvas.getPageNumber()} of {pages or '?'}"
    )
    canvas.drawString(_SIDE, y, shown(title))
    y += 4 * mm
    for line in reversed(lines):
        paragraph = text(line, SMALL)
        _, height = paragraph.wrap(printed.width, 100)
        paragraph.drawOn(canvas, _SIDE, y)
        y += height + 1
    canvas.setStrokeColor(RULE)
    canvas.setLineWidth(0.4)
    canvas.line(_SIDE, y + 2, _SIDE + printed.width, y + 2)
