"""Codes that a scanner reads: QR (ISO/IEC 18004) and Code 128 (ISO/IEC 15417)."""

from typing import Any

from reportlab.graphics.barcode.code128 import Code128
from reportlab.graphics.barcode.qr import QrCodeWidget
from reportlab.graphics.shapes import Drawing
from reportlab.pdfgen.canvas import Canvas

QUIET_CELLS = 4  # round a QR code, ISO/IEC 18004
LEAST_BAR_MM = 0.25  # two dots of a label printer with 8 a millimetre: common practice, no source
QUIET_BARS = 10  # beside a Code 128, ISO/IEC 15417


def qr(said: str, side: float) -> Drawing:
    """A QR code with its quiet zone in a square of `side` points; a sixth of it may be lost."""
    widget = QrCodeWidget(said, barLevel="M", barBorder=QUIET_CELLS)
    widget.barWidth = widget.barHeight = side
    drawing = Drawing(side, side)
    drawing.add(widget)
    return drawing


def qr_cells(said: str) -> int:
    """How many cells stand side by side in the QR code of a text, quiet zone included."""
    widget: Any = QrCodeWidget(said, barLevel="M")
    widget.qr.make()
    return int(widget.qr.getModuleCount()) + 2 * QUIET_CELLS


def bars_at(canvas: Canvas, said: str, x: float, y: float, width: float, height: float) -> None:
    """A Code 128 that fills a width, quiet zones included; sizes in points."""
    bar = width / bars_wide(said)
    code = Code128(said, barWidth=bar, barHeight=height, quiet=True, lquiet=QUIET_BARS * bar,
                   rquiet=QUIET_BARS * bar)  # fmt: skip
    code.drawOn(canvas, x, y)


def bars_wide(said: str) -> int:
    """How many bars of the narrowest kind a Code 128 is wide, quiet zones included."""
    return int(Code128(said, barWidth=1, quiet=False).width) + 2 * QUIET_BARS
