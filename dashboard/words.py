"""What the screens say: the caution, marks, terms, and what to do about a flag."""

import datetime as dt
import re
from typing import Any
from zoneinfo import ZoneInfo

CAUTION = (
    "This tool records and compares; it certifies nothing. Hidden damage in carbon parts can be "
    "invisible. A part that was struck never ships. Limits are settings with a source and a date: "
    "confirm them for your shop."
)

# mark, colour of the theme, and what it means
SEVERITIES = {
    "critical": ("◆", "violet", "holds the part at once"),
    "major": ("▲", "orange", "wants a decision before release"),
    "minor": ("●", "blue", "for the record"),
}

# what a flag means in a few words, and what to do about it
FLAGS = {
    "weight-over-claim": (
        "heavier than its claim allows",
        "Weigh it again on another scale. If it stands, look at resin and lay-up, then decide.",
    ),
    "weight-under-claim": (
        "lighter than its claim allows",
        "Hold it and weigh it again. A light part may lack material: inspect it before deciding.",
    ),
    "runout-lateral": (
        "lateral run-out above its limit",
        "Measure once more on a clean stand, look at the shape of the turn, then rework or decide.",
    ),
    "runout-radial": (
        "radial run-out above its limit",
        "Measure once more on a clean stand, look at the shape of the turn, then rework or decide.",
    ),
    "measurement-out": (
        "a measured value outside its limits",
        "Measure again with another gauge if you can, then decide on the part or the batch.",
    ),
    "finding": (
        "a finding at or above its limit",
        "Look at the place again and note a second opinion; then rework, concession or scrap.",
    ),
    "unbalance": ("unbalance above its limit", "Balance the wheel again and record the result."),
    "impact-below-standard": (
        "does not bear the standard impact",
        "Hold the batch now. Test more parts of it, drawn at random, before any decision.",
    ),
    "impact-early": (
        "failed before the required multiple",
        "Hold the batch, test more parts of it, and look what it shares with others.",
    ),
    "impact-incomplete": (
        "test stopped before the required multiple",
        "Go on with the test, or note why it ended.",
    ),
    "not-judged": (
        "a reading that no limit or claim covers",
        "Add the limit or the claim to the catalog and import it.",
    ),
    "not-received": (
        "readings before any receipt",
        "Record the receipt with model and batch, or correct the serial.",
    ),
    "gauge-overdue": (
        "gauge used after its calibration fell due",
        "Calibrate the gauge before it is used again.",
    ),
    "gauge-suspect": (
        "gauge was found off",
        "Measure the parts again on a sound gauge, or accept each reading with a reason.",
    ),
    "drift": (
        "level has moved against its baseline",
        "See the chart, then look what changed with that batch: mould, resin, fibre, crew.",
    ),
}

STATUSES = {
    "may-leave": "complete",
    "incomplete": "not complete yet",
    "held": "held",
    "in-rework": "in rework",
    "scrapped": "scrapped",
    "struck": "struck in an impact test",
    "shipped": "shipped",
    "returned-by-customer": "returned by a customer",
    "returned-to-supplier": "returned to the supplier",
    "not-received": "not received",
}

TERMS = {
    "bare mass": "What the part weighs without what was fitted to it (tape, weights, hub), in g.",
    "claim": "The mass that is published for a model at a stage, with the band allowed above and "
    "below it.",
    "share above": "Share of the parts that lie above the claim's band; a part exactly on its edge "
    "does not.",
    "supported claim": "The lowest claim that the batches so far support: with 95 % confidence, "
    "95 % of parts to come stay at or below it plus the band allowed above. Needs six batches.",
    "spread": "Standard deviation, part to part.",
    "in doubt": "Measured with a gauge that was later found off. Such readings count for nothing "
    "until they are measured again or accepted with a reason.",
    "survived multiple": "How many times the standard impact a part bore at every position and "
    "was found undamaged. Protocols differ, so multiples of two protocols are never compared.",
    "failed by": "The multiple at which damage was found; open where the test stopped before any.",
    "struck before": "The part had been struck, repaired or returned before the test. It is shown "
    "and does not count.",
    "drift": "The level of a batch mean has moved against the baseline by more than batches "
    "scatter by themselves.",
    "baseline": "The first batches (12 unless some are left out), against which later ones are "
    "compared.",
    "limits": "What a batch mean may be while nothing has moved. They are no tolerance: a part "
    "within its tolerance may well be a sign of drift.",
    "EWMA": "Exponentially weighted moving average: a smoothed mean that sees small, lasting moves "
    "sooner.",
    "interval": "The shift lies within it in 95 of 100 such cases. A move that was just found "
    "looks larger than it is.",
    "TIR": "Total indicator reading: largest less smallest reading of one turn, in mm.",
    "form": "What is left of a turn without the once-per-turn part: on a bare rim that part comes "
    "from how it sits on the stand.",
    "flag": "Something that wants attention. Critical holds the part at once, major wants a "
    "decision before release, minor is for the record.",
    "held": "May not leave until somebody decides: release, rework, concession or scrap.",
    "factor": "What parts of a batch share: mould, resin lot, fibre lot, crew.",
}

_SPECIAL = re.compile(r"([\\`*_\[\]<>$~#|{}:!])")


def plain(text: object) -> str:
    """Text of a person as it was typed: no mark-up in it is followed."""
    return _SPECIAL.sub(r"\\\1", str(text).replace("\n", " "))


def when(moment: str, zone: str | None) -> str:
    """A moment as the shop's clock shows it; in UTC where the catalog has no time zone."""
    at = dt.datetime.fromisoformat(moment).astimezone(ZoneInfo(zone or "UTC"))
    return f"{at:%Y-%m-%d %H:%M}" + ("" if zone else " UTC")


def mark(severity: str) -> str:
    """Shape, word and colour of a severity, as Markdown."""
    shape, color, _ = SEVERITIES[severity]
    return f":{color}[{shape} **{severity}**]"


def subject(flag: dict[str, Any]) -> str:
    """What a flag is about."""
    if "serial" in flag:
        return str(flag["serial"])
    return f"batch {flag['batch']}" if "batch" in flag else f"gauge {flag.get('gauge', '–')}"
