"""The forms of the entry screens, derived from the record kinds: fields, choices, keys, units.

A form is plain data that the component in `dashboard/components` draws. It has an `about` field
(what is scanned first), `kept` fields that stay from record to record, and `steps`: each step is
one record. `uses` says which kept field fills a field of the record, `fixed` what always stands.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from qc.records.parsing import FIELDS
from qc.records.rules import DAMAGE, STAGES, ZONES, Rule

Shown = dict[str, Any]

_LABELS = {
    "nominal": "True value of the reference",
    "limit": "Error allowed",
    "reading": "It reads",
    "gross_g": "Weight",
    "heavy_deg": "Heavy spot at",
    "residual_g": "Mass that balances it",
    "radius_mm": "At a radius of",
    "lateral_change_mm": "Lateral run-out changed by",
    "radial_change_mm": "Radial run-out changed by",
    "position_deg": "Strike at",
    "striker_kg": "Striker mass",
    "height_mm": "Drop height",
    "drop_no": "Drop number",
    "examined_by": "Examined by",
    "drawn": "How the part was chosen",
    "to": "Customer's reference",
    "found": "Read before or after adjusting",
    "distance_km": "Ridden",
    "angle_deg": "Angle from the valve hole",
    "size_mm": "Largest size",
    "due": "Next calibration due",
}
UNITS = {"g": "g", "gmm": "g·mm", "kg": "kg", "mm": "mm", "deg": "°", "km": "km", "j": "J"}
_WORDS = {
    "rim": "rim",
    "front-wheel": "front wheel",
    "rear-wheel": "rear wheel",
    "set": "set (bent for good)",
    "break": "break (parts or edges come off)",
    "none": "no damage",
    "not-examined": "not examined",
    "reject": "a reject",
    "random": "at random",
}
_KEYS = {"not-examined": "x", "none": "n", "mark": "m", "set": "s", "delamination": "d",
         "crack": "c", "break": "b"}  # fmt: skip


def label(name: str) -> str:
    """`heavy_deg` as a person reads it; the unit stands apart."""
    known = _LABELS.get(name)
    if known:
        return known
    stem, _, unit = name.rpartition("_")
    return (
        (stem if unit in UNITS and stem else name).replace("_", " ").replace("-", " ").capitalize()
    )


def options(values: Iterable[str]) -> list[Shown]:
    """Choices with a key each: the first letter that is still free, else a digit."""
    taken: set[str] = set()
    shown = []
    for value in values:
        letters = [_KEYS.get(value, ""), *value.replace("-", ""), *"123456789"]
        key = next((letter for letter in letters if letter and letter not in taken), "")
        taken.add(key)
        words = _WORDS.get(value, value.replace("-", " "))
        shown.append({"value": value, "label": words, "key": key})
    return shown


def field(kind: str, name: str, **more: Any) -> Shown:
    """A field of a record kind as an input; `more` overrules."""
    found = next(f for f in FIELDS[kind] if f.name == name)
    assert isinstance(found.rule, Rule)
    schema = found.rule.schema
    shown: Shown = {"name": name, "label": label(name), "required": found.required}
    unit = name.rpartition("_")[2]
    if unit in UNITS and "_" in name:
        shown["unit"] = UNITS[unit]
    if "enum" in schema:
        shown |= {"type": "choice", "options": options(schema["enum"])}
    elif schema.get("type") == "array" and "enum" in schema.get("items", {}):
        shown |= {"type": "several", "options": options(schema["items"]["enum"])}
    elif schema.get("type") == "integer":
        shown["type"] = "count"
    elif schema.get("type") == "number":
        shown["type"] = "number"
        bounds = {"exclusiveMinimum": "above", "minimum": "least"}
        shown |= {ours: schema[theirs] for theirs, ours in bounds.items() if theirs in schema}
    elif schema.get("format") == "date":
        shown["type"] = "date"
    else:
        shown["type"] = "code" if "pattern" in schema else "text"
    return shown | more


def _fields(kind: str, names: Sequence[str]) -> list[Shown]:
    return [field(kind, name) for name in names]


def _note(kind: str) -> Shown:
    return field(kind, "note", type="text", most=2000, aside=True)


def _gauge(name: str, label: str, measures: str | None = None) -> Shown:
    return {"name": name, "label": label, "type": "gauge", "measures": measures, "required": True}


STAGE = {"name": "stage", "label": "Stage", "type": "choice", "required": True,
         "options": options(STAGES), "start": "rim"}  # fmt: skip
WHEEL = STAGE | {"options": options(STAGES[1:]), "start": "front-wheel"}
SERIAL = {"name": "serial", "label": "Serial", "type": "code", "required": True, "size": "big",
          "hint": "scan or type it, then Enter"}  # fmt: skip
BATCH = {"name": "batch", "label": "Batch", "type": "batch", "required": True}
LOOKED_AT = field("inspection", "zones", label="Zones looked at", start=list(ZONES))


def _turn(direction: str) -> Shown:
    return {
        "key": direction,
        "title": f"Run-out, {direction}",
        "kind": "runout",
        "fixed": {"direction": direction},
        "uses": {"stage": "stage", "gauge": "stand"},
        "optional": True,
        "fields": [
            {"name": "turn", "label": "TIR, or a whole turn", "type": "turn", "unit": "mm",
             "required": True, "size": "big", "live": "stand"},
        ],
    }  # fmt: skip


LOOK = {
    "key": "look",
    "title": "Look",
    "kind": "inspection",
    "uses": {"stage": "stage", "zones": "zones", "method": "method"},
    "optional": True,
    "fields": [
        {"name": "result", "label": "What the eye found", "type": "look", "required": True,
         "options": [{"value": "clean", "label": "clean", "key": "c"},
                     {"value": "findings", "label": "findings", "key": "f"}],
         "finding": [field("finding", "zone"), field("finding", "defect"),
                     field("finding", "angle_deg"), field("finding", "size_mm")]},
    ],
}  # fmt: skip


def intake() -> Shown:
    """One part after the other, or a batch in passes: weigh it, spin it, look at it."""
    weigh = {
        "key": "weigh",
        "title": "Weigh",
        "kind": "weighing",
        "uses": {"stage": "stage", "gauge": "scale"},
        "optional": True,
        "fields": [
            field("weighing", "gross_g", type="number", size="big", live="scale"),
            {"name": "fitted", "label": "On it", "type": "fitted"},
        ],
    }
    return {
        "name": "intake",
        "receives": True,
        "about": SERIAL,
        "kept": [
            BATCH,
            STAGE,
            _gauge("scale", "Scale", "mass"),
            _gauge("stand", "Run-out indicator", "length"),
            field("inspection", "method", start="visual"),
            LOOKED_AT,
        ],
        "steps": [weigh, _turn("lateral"), _turn("radial"), LOOK],
        "ways": [
            {
                "key": "part",
                "label": "Part by part",
                "steps": ["weigh", "lateral", "radial", "look"],
            },
            {"key": "weigh", "label": "Weigh the batch", "steps": ["weigh"]},
            {"key": "spin", "label": "Spin the batch", "steps": ["lateral", "radial"]},
            {"key": "look", "label": "Look at the batch", "steps": ["look"]},
        ],
    }


def strike() -> Shown:
    """Drops on one part, one after the other: a key for the damage, what the run-out changed."""
    return {
        "name": "strike",
        "panel": "strike",
        "stays": True,
        "about": SERIAL,
        "kept": [
            {"name": "protocol", "label": "Protocol", "type": "protocol", "required": True},
            _gauge("rig", "Rig", "drop"),
            field("drop", "striker_kg"),
            field("drop", "height_mm"),
            field("drop", "drawn", start="random"),
            field("drop", "examined_by"),
        ],
        "steps": [
            {
                "key": "drop",
                "title": "After the drop: look and measure",
                "kind": "drop",
                "uses": {"protocol": "protocol", "gauge": "rig", "striker_kg": "striker_kg",
                         "height_mm": "height_mm", "drawn": "drawn",
                         "examined_by": "examined_by"},
                "fields": [
                    field("drop", "damage", options=options([*DAMAGE[1:], DAMAGE[0]])),
                    field("drop", "lateral_change_mm"),
                    field("drop", "radial_change_mm"),
                    # empty: where the screen says
                    field("drop", "position_deg", label="Struck elsewhere, at", required=False,
                          aside=True),
                ],
            }
        ],
    }  # fmt: skip


def _plain(  # one record a form, everything else alike
    name: str,
    kind: str,
    fields: Sequence[Shown],
    kept: Sequence[Shown] = (),
    about: Mapping[str, Any] = SERIAL,
    uses: Mapping[str, str] | None = None,
) -> Shown:
    step = {
        "key": kind,
        "title": name,
        "kind": kind,
        "uses": {k["name"]: k["name"] for k in kept} | dict(uses or {}),
        "fields": [*fields, _note(kind)],
    }
    return {"name": kind, "title": name, "about": dict(about), "kept": list(kept), "steps": [step]}


def others() -> list[Shown]:
    """Balance, measurement, look, build, gauge check, shipment and return, each a form."""
    look = _plain(
        "Look at a part",
        "inspection",
        [],
        [STAGE, field("inspection", "method", start="visual"), LOOKED_AT],
    )
    look["steps"] = [LOOK | {"optional": False}]
    measured = {"name": "characteristic", "label": "Characteristic", "type": "characteristic",
                "required": True}  # fmt: skip
    gauge = {"name": "gauge", "label": "Gauge", "type": "code", "required": True, "size": "big",
             "hint": "scan or type its code, then Enter", "known": "gauges"}  # fmt: skip
    return [
        look,
        _plain(
            "Balance a wheel",
            "balance",
            _fields("balance", ["heavy_deg", "residual_g"]),
            [WHEEL, field("balance", "state", start="as-found"), field("balance", "radius_mm")],
        ),
        _plain(
            "Measure",
            "measurement",
            [field("measurement", "value", type="number", required=True, size="big")],
            [measured, _gauge("gauge", "Gauge"), STAGE],
        ),
        _plain(
            "Build a wheel",
            "build",
            _fields("build", ["pair"]),
            [WHEEL, *_fields("build", ["hub", "builder"])],
        ),
        _plain(
            "Check a gauge",
            "gauge-check",
            [field("gauge-check", "reading", size="big")],
            [
                field("gauge-check", "check", start="daily"),
                field("gauge-check", "found", start="as-found"),
                *_fields("gauge-check", ["reference", "nominal", "limit"]),
                field("gauge-check", "due", hint="for a calibration"),
            ],
            gauge,
        ),
        # silent: the key that ships is no field of the record
        _plain(
            "Ship a part",
            "shipment",
            [{"name": "go", "label": "Read the status first", "type": "choice", "required": True,
              "silent": True, "options": [{"value": "go", "label": "ship it", "key": "s"}]}],
            _fields("shipment", ["order", "to"]),
        ),
        _plain(
            "Take back from a customer",
            "customer-return",
            _fields("customer-return", ["reason", "distance_km"]),
        ),
    ]  # fmt: skip
