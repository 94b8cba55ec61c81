"""Line pictures for papers, from the rows that the screens draw."""

from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Any, Literal, NamedTuple

from reportlab.graphics.shapes import Drawing, Line, PolyLine, Rect, String
from reportlab.lib.units import mm

from qc.figures.words import amount
from qc.reports.page import INK, QUIET, REGULAR, RULE, shown

Row = dict[str, Any]

_SIZE = 7.5
_FULL: Any = {"fillColor": INK, "strokeColor": INK}
_LEFT, _BELOW, _ABOVE = 12 * mm, 10 * mm, 8 * mm


class _Axes(NamedTuple):
    drawing: Drawing
    x: Callable[[float], float]
    y: Callable[[float], float]


def survival(group: Row, width: float, height: float = 62 * mm) -> Drawing:
    """From one row of `margins`: the share that survives over the multiple, and its 95 % limits.

    The step is drawn from the tests alone; a fitted curve stays with the screens.
    """
    points = [{"multiple": 0.0, "survive": 1.0, "lower": 1.0, "upper": 1.0}, *group["survival"]]
    most = 1.05 * points[-1]["multiple"]
    axes = _axes(width, height, most, 1.0)
    for share in (0, 25, 50, 75, 100):
        y = axes.y(share / 100)
        axes.drawing.add(Line(_LEFT, y, width, y, strokeColor=RULE, strokeWidth=0.4))
        _say(axes, f"{share} %", _LEFT - 4, y - 2.5, "end")
    for side in ("lower", "upper"):
        _step(axes, points, side, strokeDashArray=[1, 2], strokeColor=QUIET, strokeWidth=0.8)
    known = [point for point in points if point["survive"] is not None]
    _step(axes, known, "survive", strokeColor=INK, strokeWidth=1.6)
    _marks(axes, group, height)
    _along(axes, most, "× standard impact; solid: survive, dotted: 95 % limits of that share")
    return axes.drawing


def intervals(tests: Sequence[Row], group: Row, width: float) -> Drawing:
    """A line a test: thin up to what it survived, thick to what it had failed by, or an arrow."""
    row = 10.0
    height = _BELOW + _ABOVE + row * (len(tests) + 1)
    most = 1.1 * max(group["required_multiple"], *(t["failed"] or t["survived"] for t in tests))
    axes = _axes(width, height, most, float(len(tests) + 1), left=62 * mm)
    for i, test in enumerate(tests):
        y = axes.y(len(tests) - i)
        from_, to = axes.x(test["survived"]), axes.x(test["failed"] or test["survived"])
        _say(axes, _short(f"{test['serial']} · {test['test']}"), axes.x(0) - 4, y - 2.5, "end")
        axes.drawing.add(Line(axes.x(0), y, from_, y, strokeColor=QUIET, strokeWidth=0.6))
        if test["damaged"]:
            axes.drawing.add(Rect(from_, y - 2, max(to - from_, 1.5), 4, **_FULL))
        else:
            head = [from_, y + 3, from_ + 5, y, from_, y - 3]
            axes.drawing.add(PolyLine(head, strokeColor=INK, strokeWidth=1.2))
    _marks(axes, group, height)
    _along(
        axes, most, "× standard impact; bar: from survived to failed, >: not failed when stopped"
    )
    return axes.drawing


def _short(name: str) -> str:
    """As much of the end of a name as there is room for."""
    return name if len(name) <= 38 else "…" + name[-37:]


def _axes(width: float, height: float, most_x: float, most_y: float, left: float = _LEFT) -> _Axes:
    drawing = Drawing(width, height)

    def x(value: float) -> float:
        return left + (width - left) * value / most_x

    def y(value: float) -> float:
        return _BELOW + (height - _BELOW - _ABOVE) * value / most_y

    drawing.add(Line(left, _BELOW, width, _BELOW, strokeColor=INK, strokeWidth=0.6))
    drawing.add(Line(left, _BELOW, left, height - _ABOVE, strokeColor=INK, strokeWidth=0.6))
    return _Axes(drawing, x, y)


def _step(axes: _Axes, points: Sequence[Row], name: str, **look: Any) -> None:
    """A step falls right after the multiple that was survived."""
    corners: list[float] = []
    for before, after in pairwise(points):
        for at, share in ((before["multiple"], after[name]), (after["multiple"], after[name])):
            corners += [axes.x(at), axes.y(share)]
    if corners:
        axes.drawing.add(PolyLine([axes.x(0), axes.y(1.0), *corners], **look))


def _marks(axes: _Axes, group: Row, height: float) -> None:
    """The standard and the required multiple, dashed across; the words on two levels."""
    marks = (("standard", 1.0, [3, 2], 3.0), ("required", group["required_multiple"], [1, 0], 12.0))
    top = height - _ABOVE
    for word, at, dashes, up in marks:
        x = axes.x(at)
        line = Line(x, _BELOW, x, top, strokeColor=INK, strokeWidth=0.7, strokeDashArray=dashes)
        axes.drawing.add(line)
        right = x > 0.75 * axes.drawing.width
        _say(axes, f"{word} {amount(at)}", x + (-2 if right else 2), top + up,
             "end" if right else "start")  # fmt: skip


def _along(axes: _Axes, most: float, said: str) -> None:
    """Numbers below the axis at some seven round places, and what they are."""
    step = next(s * 10**p for p in range(-3, 6) for s in (1, 2, 5) if most / (s * 10**p) <= 7)
    for i in range(int(most / step) + 1):
        at = axes.x(i * step)
        axes.drawing.add(Line(at, _BELOW, at, _BELOW - 3, strokeColor=INK, strokeWidth=0.6))
        _say(axes, amount(i * step), at, _BELOW - 11, "middle")
    _say(axes, said, axes.drawing.width, _BELOW - 22, "end")


def _say(
    axes: _Axes, said: str, x: float, y: float, anchor: Literal["start", "middle", "end"]
) -> None:
    axes.drawing.add(
        String(
            x, y, shown(said), fontName=REGULAR, fontSize=_SIZE, textAnchor=anchor, fillColor=INK
        )
    )
