"""The fields of the tables that are given out: what each means, its unit, what it may be."""

import datetime as dt
from decimal import Decimal
from types import UnionType
from typing import Annotated, Any, NamedTuple, Union, get_args, get_origin, get_type_hints

from qc.records.kinds import KINDS


class Field(NamedTuple):
    """A field in the terms of Table Schema. `type` is `string`, `number`, `integer`, `boolean`,
    `date`, `datetime`, `array` or `object` (the last two as JSON text)."""

    name: str
    type: str
    description: str
    required: bool = False
    among: tuple[str, ...] = ()


STAGES = ("rim", "front-wheel", "rear-wheel")
_STAGE = Field("stage", "string", "rim, front-wheel, rear-wheel; pair for a pair of wheels", True)
_ROW = Field("row_no", "integer", "its place in this file", True)
_MODEL = Field("model", "string", "code of the model", True)
_UNITS = {
    "_g": "in g",
    "_mm": "in mm",
    "_kg": "in kg",
    "_km": "in km",
    "_deg": "in degrees from the valve hole, clockwise",
}
_RECORD = {
    "position": "its place in the journal, in order of arrival",
    "record_id": "its identity",
    "kind": "what is recorded",
    "taken_at": "when it was measured, UTC",
    "station": "where",
    "inspector": "by whom",
    "of": "the record that a correction mends",
    "other": "columns of the log that are not part of the contract",
    "fitted": "what was on the part beyond the bare part, and how many",
    "entered_by": "who was signed in, or which station sent it",
}
PARTS = (
    Field("serial", "string", "serial of the part", True),
    Field("model", "string", "code of the model; empty until it is received"),
    Field("batch", "string", "code of the batch; empty until it is received"),
    Field("made_on", "date", "day on which the batch was made"),
    Field("factors", "object", "what parts of the batch share"),
    Field("status", "string", "where it stands", True),
    Field("reasons", "string", "what keeps it from leaving, separated by semicolons"),
    Field("order", "string", "order of its newest shipment"),
    Field("to", "string", "customer's reference of its newest shipment"),
    Field("shipped_on", "datetime", "moment of its newest shipment, UTC"),
)
VALUES = (
    _ROW,
    Field("serial", "string", "serial of the part, or batch: and a code", True),
    Field("stage", "string", "rim, front-wheel, rear-wheel or pair; empty for a batch's own"),
    Field("characteristic", "string", "what the value is of", True),
    Field("protocol", "string", "of an impact test; else empty"),
    _MODEL,
    Field("batch", "string", "code of the batch", True),
    Field("value", "number", "the value, in the unit of its row", True),
    Field("unit", "string", "unit of value and u"),
    Field("u", "number", "standard uncertainty, in the unit of its row"),
    Field("suspect", "boolean", "in doubt: the gauge was found off", True),
    Field("at", "datetime", "when it was measured, UTC", True),
    Field("verdict", "string", "against the claim"),
    Field("beyond", "string", "over or under the claim's band"),
    Field("gauge", "string", "the gauge, where all readings have one"),
    Field("station", "string", "the station, where all readings have one"),
    Field("inspector", "string", "who measured, where all readings have one"),
    Field("readings", "integer", "how many readings there are, in doubt or not", True),
)
FLAGS = (
    _ROW,
    Field("flag", "string", "what was found", True),
    Field("severity", "string", "how much it weighs", True, ("critical", "major", "minor")),
    Field("serial", "string", "the part"),
    Field("batch", "string", "the batch"),
    Field("gauge", "string", "the gauge"),
    Field("model", "string", "code of the model"),
    Field("stage", "string", "rim, front-wheel, rear-wheel or pair"),
    Field("characteristic", "string", "what was measured"),
    Field("test", "string", "the impact test"),
    Field("value", "number", "what was found, in the unit of its row"),
    Field("limit", "number", "what is allowed, in the unit of its row"),
    Field("unit", "string", "unit of value and limit"),
    Field("probability", "number", "that the true value lies beyond the limit, 0 to 1"),
    Field("raised_at", "datetime", "since when, UTC", True),
    Field("closed_at", "datetime", "until when, UTC"),
    Field("closed_by", "string", "what closed it"),
    Field("state", "string", "open or closed", True, ("open", "closed")),
    Field("message", "string", "in words", True),
    Field("records", "array", "identities of the records it concerns"),
)
CLAIMS = (
    _MODEL,
    _STAGE,
    Field("claimed_g", "number", "published mass, in g"),
    Field("over_g", "number", "allowed above it, in g"),
    Field("under_g", "number", "allowed below it, in g"),
    Field("n", "integer", "parts weighed and not in doubt", True),
    Field("batches", "integer", "batches they are of", True),
    Field("mean_g", "number", "mean bare mass, in g"),
    Field("sd_g", "number", "standard deviation, part to part, in g"),
    Field("least_g", "number", "lightest part, in g"),
    Field("most_g", "number", "heaviest part, in g"),
    Field("over_share", "number", "share above the band, 0 to 1"),
    Field("over_share_lower", "number", "its lower 95 % limit (Clopper-Pearson)"),
    Field("over_share_upper", "number", "its upper 95 % limit (Clopper-Pearson)"),
    Field("outside_share", "number", "share outside the band, 0 to 1"),
    Field("outside_share_lower", "number", "its lower 95 % limit (Clopper-Pearson)"),
    Field("outside_share_upper", "number", "its upper 95 % limit (Clopper-Pearson)"),
    Field("bias_g", "number", "mean of batch means less the claim, in g"),
    Field("bias_lower_g", "number", "its lower 95 % limit, in g"),
    Field("bias_upper_g", "number", "its upper 95 % limit, in g"),
    Field("between_sd_g", "number", "standard deviation between batches, in g"),
    Field("within_sd_g", "number", "standard deviation within a batch, in g"),
    Field("u_common_g", "number", "standard uncertainty common to all parts, in g"),
    Field("supported_claim_g", "number", "lowest supported claim, in g; it is no promise"),
    Field("supported_reason", "string", "why, or why not", True),
    Field("moved_at", "string", "batch with which the level last moved"),
)
DRIFT = (
    _ROW,
    _MODEL,
    Field("stage", "string", "rim, front-wheel, rear-wheel or pair; empty for a batch's own"),
    Field("characteristic", "string", "what the mean is of", True),
    Field("protocol", "string", "of impact tests; else empty"),
    Field("unit", "string", "unit of the numbers of the row"),
    Field("batch", "string", "code of the batch", True),
    Field("made_on", "date", "day on which it was made", True),
    Field("n", "integer", "parts measured and not in doubt", True),
    Field("mean", "number", "mean of the batch, in the unit of its row", True),
    Field("sd", "number", "standard deviation within it, in the unit of its row"),
    Field("lower", "number", "lower limit of a mean while nothing moves; no tolerance"),
    Field("upper", "number", "upper limit of a mean while nothing moves; no tolerance"),
    Field("baseline", "boolean", "one of the batches of the newest baseline", True),
    Field("signal", "string", "rule by which a move was signalled here"),
    Field("moved", "boolean", "a level begins here", True),
)
MARGINS = (
    Field("protocol", "string", "how it was struck", True),
    _MODEL,
    Field("stage", "string", "rim, front-wheel or rear-wheel", True, STAGES),
    Field("method", "string", "repeat: equal hits; step: rising", True, ("repeat", "step")),
    Field("required_multiple", "number", "in standard impacts", True),
    Field("standard_energy_j", "number", "energy of a standard impact, in J"),
    Field("serial", "string", "serial of the part", True),
    Field("test", "string", "the test", True),
    Field("batch", "string", "code of the batch", True),
    Field("survived", "number", "survived, in standard impacts", True),
    Field("failed", "number", "failed by, in standard impacts; empty: not failed, or not known"),
    Field("damaged", "boolean", "damage was found", True),
    Field("first_damage", "integer", "number of the drop at which damage was found"),
    Field("marks", "string", "what is odd about it, separated by semicolons"),
    Field("drawn", "string", "how the part was chosen", among=("random", "chosen", "reject")),
    Field("started_at", "datetime", "its first drop, UTC", True),
)


def of_records() -> tuple[Field, ...]:
    """Every field that a record of any kind has; which kinds have it stands in its description."""
    found = {
        "position": Field("position", "integer", _RECORD["position"], required=True),
        "kind": Field("kind", "string", _RECORD["kind"], True, tuple(KINDS)),
    }
    having: dict[str, list[str]] = {}
    for kind, record in KINDS.items():
        for name, hint in get_type_hints(record, include_extras=True).items():
            if name in record.__struct_fields__:
                having.setdefault(name, []).append(kind)
                always = name in ("record_id", "taken_at", "station", "inspector")
                found[name] = Field(name, _type(hint), "", required=always)
    return tuple(
        field if field.description else field._replace(description=_described(name, having[name]))
        for name, field in found.items()
    )


def _described(name: str, kinds: list[str]) -> str:
    ending = next((said for end, said in _UNITS.items() if name.endswith(end)), "")
    plain = name.rsplit("_", 1)[0] if ending else name
    said = _RECORD.get(name) or f"{plain.replace('_', ' ')} {ending}".strip()
    return said if len(kinds) == len(KINDS) else f"{said}; of {', '.join(kinds)}"


def _type(hint: Any) -> str:
    """The type of a field by that of the record."""
    if get_origin(hint) is Annotated:
        return _type(get_args(hint)[0])
    if get_origin(hint) in (Union, UnionType):
        return _type(next(one for one in get_args(hint) if one is not type(None)))
    plain = get_origin(hint) or hint
    names = {str: "string", int: "integer", bool: "boolean", Decimal: "number",
             dt.datetime: "datetime", dt.date: "date", dict: "object", tuple: "array"}  # fmt: skip
    return names[plain]
