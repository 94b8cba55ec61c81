"""What the shape of a turn is likely to be, in sentences, and what to try.

What to try is common practice of the trade, no source.
"""

from collections.abc import Iterator
from typing import Any

from qc.physics.runout import Bump
from qc.physics.turn_shape import Cause, Shape, shape

Row = dict[str, Any]

_NEAR_DEG = 15.0  # of the valve hole, and of the place opposite it


def sentences(record: Row) -> list[str]:
    """From a run-out record with `readings_mm`: the likely cause first, then what to try."""
    found = shape(record["readings_mm"])
    return list(_said(found, record["stage"], record["direction"]))


_BRIEF = {
    "little": "hardly any",
    "bump": "mostly one place",
    "once": "mostly once a turn",
    "twice": "mostly twice a turn",
    "nothing": "no single cause stands out",
}


def brief(record: Row) -> str:
    """What makes the most of the turn, in a few words."""
    return _BRIEF[shape(record["readings_mm"]).main]


def parts(record: Row) -> list[Row]:
    """The parts of the turn: `swing_mm` peak to valley, `at_deg` where it is highest (a flat spot:
    lowest), `share` of the turn's mean square (None for what has none of its own)."""
    found = shape(record["readings_mm"])
    trace, bump = found.trace, found.trace.bump
    rows: list[Row] = [
        _part("whole turn (TIR)", trace.tir_mm, None, None),
        _part("once a turn", 2 * trace.eccentricity_mm, trace.eccentricity_deg, found.once_share),
        _part("without once a turn (form)", trace.form_mm, None, None),
        _part("twice a turn", 2 * trace.twice_mm, trace.twice_deg, found.twice_share),
        _part("left without both", trace.rest_mm, None, None),
    ]
    if bump:
        rows.append(_part(_name(bump), abs(bump.height_mm), bump.angle_deg, None))
    return rows


def _part(name: str, swing_mm: float, at_deg: float | None, share: float | None) -> Row:
    return {"part": name, "swing_mm": swing_mm, "at_deg": at_deg, "share": share}


def _said(found: Shape, stage: str, direction: str) -> Iterator[str]:
    trace, main = found.trace, found.main
    if main == "little":
        yield "Hardly any run-out: nothing stands out."
        return
    yield _likely(found, main, stage, direction)
    if trace.sparse:
        yield f"Only {trace.n} readings: a hint, no more. Take 24 or more to be surer."
    yield f"Try: {_try(found, main, stage, direction)}"
    if main == "once" and found.form not in ("little", "nothing"):
        yield f"Without that: {_decapitalised(_likely(found, found.form, stage, direction))}"
        yield f"Try: {_try(found, found.form, stage, direction)}"
    elif trace.bump and main != "bump":
        bump = trace.bump
        yield (
            f"Beside it a {_name(bump)} of {abs(bump.height_mm):.2f} mm at "
            f"{bump.angle_deg:.0f}°{_place(bump)}."
        )


def _likely(found: Shape, cause: Cause, stage: str, direction: str) -> str:
    trace = found.trace
    if cause == "bump" and trace.bump:
        bump = trace.bump
        return (
            f"Mostly one {_name(bump)} of {abs(bump.height_mm):.2f} mm at {bump.angle_deg:.0f}°, "
            f"about {bump.width_deg:.0f}° wide{_place(bump)}."
        )
    if cause == "once":
        head = f"Mostly once a turn, highest at {trace.eccentricity_deg:.0f}°: likely "
        if stage == "rim":
            return head + "the set-up, how the rim sits on the stand."
        if direction == "radial":
            return head + f"off centre by {trace.eccentricity_mm:.2f} mm."
        return head + "rim or axle out of square."
    if cause == "twice":
        first = trace.twice_deg
        oval = "oval" if direction == "radial" else "bent like a saddle"
        return (
            f"Mostly twice a turn, highest at {first:.0f}° and {first + 180:.0f}°: likely {oval}."
        )
    return "No single cause stands out: waves and scatter round the whole turn."


def _try(found: Shape, cause: Cause, stage: str, direction: str) -> str:
    trace = found.trace
    if cause == "bump" and trace.bump:
        at = f"{trace.bump.angle_deg:.0f}°"
        return f"wipe the rim at {at}, look at it and feel it there, then measure again."
    if cause == "once" and stage == "rim":
        return (
            "turn the rim half round on its seat and measure again. A peak that stays with the "
            "stand is the set-up; one that goes with the rim is the rim."
        )
    if cause == "once" and direction == "radial":
        high = trace.eccentricity_deg
        return (
            f"tighten the spokes a little round {high:.0f}° and loosen them as much round "
            f"{(high + 180) % 360:.0f}°, then measure again."
        )
    if cause == "once":
        return (
            "see that the axle sits square and the bearings have no play; if so, pull the rim "
            f"over with the spokes of the other side round {trace.eccentricity_deg:.0f}°."
        )
    if cause == "twice" and stage != "rim":
        return "look at the bare rim's own turn first; what the rim has, spokes should not hide."
    if cause == "twice" and direction == "radial":
        return "compare it with other rims of the same mould, and how they are cooled and stored."
    if cause == "twice":
        return "lay the rim on a flat table: a saddle rocks. Compare rims of the same mould."
    return (
        "wipe rim and tip, measure again: what comes back is the rim's, what does not is the "
        "measurement's."
    )


def _name(bump: Bump) -> str:
    return "bump" if bump.height_mm > 0 else "flat spot"


def _place(bump: Bump) -> str:
    """Where a rim has something of its own to show."""
    if min(bump.angle_deg, 360 - bump.angle_deg) <= _NEAR_DEG:
        return ", at the valve hole: perhaps its edge, or the tip dipping in"
    if abs(bump.angle_deg - 180) <= _NEAR_DEG:
        return ", opposite the valve hole, where a joint often lies"
    return ""


def _decapitalised(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:]
