"""The kinds of record, one frozen type each; fields are named as in the log.

Units stand in the names: g, kg, mm, km, deg (degrees clockwise from the valve hole, drive side).
Each field carries the rule that reads it, so the type is the whole definition of its kind.
"""

import datetime as dt
from decimal import Decimal
from typing import Annotated, Any, ClassVar

import msgspec

from qc.records import rules

Code = Annotated[str, rules.CODE]
Text = Annotated[str, rules.text()]
Stage = Annotated[str, rules.choice(*rules.STAGES)]
Zone = Annotated[str, rules.choice(*rules.ZONES)]
Number = Annotated[Decimal, rules.NUMBER]
Positive = Annotated[Decimal, rules.POSITIVE]
NotNegative = Annotated[Decimal, rules.NOT_NEGATIVE]
Angle = Annotated[Decimal, rules.ANGLE]
Counted = Annotated[int, rules.count()]
Day = Annotated[dt.date, rules.DAY]
# read by the parser, which knows the site's time zone
Moment = Annotated[dt.datetime, "moment"]


class Record(
    msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True, forbid_unknown_fields=True,
    gc=False, tag_field="kind",
):  # fmt: skip
    """What every record says: when, where, by whom.

    `entered_by` is who was signed in when it was entered on a screen, or the station that sent it;
    a log cannot say it. `other` keeps the columns that this tool does not know.
    """

    record_id: Annotated[str, rules.UUID] = ""
    taken_at: Moment
    station: Code
    inspector: Code
    repeat: Counted | None = None
    note: Annotated[str, rules.text(2000)] | None = None
    entered_by: str | None = None
    other: dict[str, str] = {}

    # which of several fields must be there: exactly one of each group
    one_of: ClassVar[tuple[tuple[str, ...], ...]] = ()


class Receipt(Record, frozen=True, kw_only=True, tag="receipt"):
    """A part comes in: its serial is of this model and batch."""

    serial: Code
    model: Code
    batch: Code


class Weighing(Record, frozen=True, kw_only=True, tag="weighing"):
    """A part on the scale, with what was fitted to it beyond the bare part."""

    serial: Code
    stage: Stage
    gauge: Code
    gross_g: Positive
    fitted: Annotated[dict[str, int], rules.FITTED] = {}


class Runout(Record, frozen=True, kw_only=True, tag="runout"):
    """One turn on the stand: the total indicator reading, or the readings round the turn."""

    one_of = (("tir_mm", "readings_mm"),)

    serial: Code
    stage: Stage
    gauge: Code
    direction: Annotated[str, rules.choice("lateral", "radial")]
    tir_mm: NotNegative | None = None
    readings_mm: Annotated[tuple[Decimal, ...], rules.READINGS] = ()
    side: Annotated[str, rules.choice("left", "right")] | None = None


class Measurement(Record, frozen=True, kw_only=True, tag="measurement"):
    """One number for anything else the catalog names as a characteristic."""

    one_of = (("serial", "batch"),)

    serial: Code | None = None
    batch: Code | None = None
    characteristic: Code
    gauge: Code
    value: Number
    stage: Stage | None = None


class Inspection(Record, frozen=True, kw_only=True, tag="inspection"):
    """A look at some zones of a part, by a method, with or without findings."""

    serial: Code
    stage: Stage
    method: Annotated[str, rules.choice("visual", "tap", "trace", "ultrasound", "x-ray")]
    zones: Annotated[tuple[str, ...], rules.choices(*rules.ZONES)]
    result: Annotated[str, rules.choice("clean", "findings")]


class Finding(Record, frozen=True, kw_only=True, tag="finding"):
    """A defect seen: where round the rim, what, how large."""

    serial: Code
    zone: Zone
    defect: Annotated[str, rules.choice(*rules.DEFECTS)]
    angle_deg: Angle
    size_mm: NotNegative
    photo: Annotated[str, rules.FILE_NAME] | None = None


class Balance(Record, frozen=True, kw_only=True, tag="balance"):
    """The heavy spot of a wheel and what it would take to balance it."""

    serial: Code
    stage: Stage
    state: Annotated[str, rules.choice("as-found", "corrected")]
    heavy_deg: Angle
    residual_g: NotNegative
    radius_mm: Positive


class Drop(Record, frozen=True, kw_only=True, tag="drop"):
    """One drop of the striker on a part, and what it did."""

    serial: Code
    test: Code
    protocol: Code
    gauge: Code
    drop_no: Counted
    position_deg: Angle
    striker_kg: Positive
    height_mm: Positive
    damage: Annotated[str, rules.choice(*rules.DAMAGE)]
    lateral_change_mm: Number | None = None
    radial_change_mm: Number | None = None
    examined_by: Text | None = None
    drawn: Annotated[str, rules.choice("random", "chosen", "reject")] | None = None


class Build(Record, frozen=True, kw_only=True, tag="build"):
    """A rim becomes a wheel; `pair` names the wheelset it belongs to."""

    serial: Code
    stage: Stage
    hub: Text
    builder: Text
    pair: Code | None = None


class GaugeCheck(Record, frozen=True, kw_only=True, tag="gauge-check"):
    """A gauge read against a reference; all values in the gauge's unit."""

    gauge: Code
    check: Annotated[str, rules.choice("calibration", "daily")]
    found: Annotated[str, rules.choice("as-found", "as-left")]
    reference: Text
    nominal: Number
    reading: Number
    limit: NotNegative
    due: Day | None = None


class Correction(Record, frozen=True, kw_only=True, tag="correction"):
    """Mends an earlier record: voids it, replaces it, or accepts it although its gauge was off."""

    one_of = (("void", "replacement", "accept"),)

    of: Annotated[str, rules.UUID]
    reason: Text
    void: Annotated[bool, rules.TRUTH] | None = None
    accept: Annotated[bool, rules.TRUTH] | None = None
    # a whole record; read by the parser like any other line
    replacement: Annotated[dict[str, Any], "record"] | None = None


class Disposition(Record, frozen=True, kw_only=True, tag="disposition"):
    """A decision on a part or a batch."""

    one_of = (("serial", "batch"),)

    serial: Code | None = None
    batch: Code | None = None
    decision: Annotated[
        str,
        rules.choice(
            *("release", "hold", "rework", "repair", "regrade", "concession", "scrap"),
            "return-to-supplier",
        ),
    ]
    reason: Text
    grade: Text | None = None
    quantity: Counted | None = None
    until: Day | None = None


class Shipment(Record, frozen=True, kw_only=True, tag="shipment"):
    """A part leaves for a customer, known here by a reference only."""

    serial: Code
    order: Text
    to: Text


class CustomerReturn(Record, frozen=True, kw_only=True, tag="customer-return"):
    """A part comes back from a customer."""

    serial: Code
    reason: Text
    distance_km: NotNegative | None = None


AnyRecord = (
    Receipt | Weighing | Runout | Measurement | Inspection | Finding | Balance | Drop | Build
    | GaugeCheck | Correction | Disposition | Shipment | CustomerReturn
)  # fmt: skip

KINDS: dict[str, type[Record]] = {
    str(kind.__struct_config__.tag): kind for kind in AnyRecord.__args__
}


def kind_of(record: Record) -> str:
    """The kind's name as it stands in the logs."""
    return str(record.__struct_config__.tag)
