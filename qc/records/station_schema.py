"""JSON Schema 2020-12 of every kind of record, for those who program a station.

Generated from the types, so it cannot say anything else than the parser. It describes the plain
JSON form: numbers as numbers, lists as arrays. The parser also takes what CSV has to write as text
(`"412.5"`, `"tape:1 weight:2"`), null and empty text for a field that is not there, and spaces
around a value. Fields that no kind knows are allowed; they are kept with the record.

`python -m qc.records.station_schema` writes the files anew.
"""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from qc.records.kinds import KINDS, Correction, Disposition, GaugeCheck, Record, Runout
from qc.records.moments import EXPECTED_MOMENT, MOMENT_PATTERN
from qc.records.parsing import FIELDS, Field
from qc.records.rules import Rule
from qc.resources import folder

Schema = dict[str, Any]

_MOMENT = {
    "description": f"{EXPECTED_MOMENT}; without an offset it is the site's local time",
    "type": "string",
    "pattern": f"^{MOMENT_PATTERN}$",
}
_REPLACEMENT = {
    "description": "a whole record of any kind, which keeps the record_id of the one it mends",
    "type": "object",
    "properties": {"kind": {"enum": list(KINDS)}},
    "required": ["kind"],
}


def _needed_with(field: str, value: str, needed: str) -> Schema:
    when = {"properties": {field: {"const": value}}, "required": [field]}
    return {"if": when, "then": {"required": [needed]}}


# what the parser asks beyond single fields
_ALSO: Mapping[type[Record], Schema] = {
    GaugeCheck: _needed_with("check", "calibration", "due"),
    Disposition: _needed_with("decision", "regrade", "grade"),
    Correction: {"properties": {"void": {"const": True}, "accept": {"const": True}}},
}


def schema_of(kind: str) -> Schema:
    """The schema of one kind's records."""
    cls, fields = KINDS[kind], FIELDS[kind]
    schema: Schema = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": file_name(kind),
        "title": kind,
        "description": " ".join((cls.__doc__ or "").split()),
        "type": "object",
        "properties": {"kind": {"const": kind}} | {f.name: _property(f) for f in fields},
        "required": ["kind", *(field.name for field in fields if field.required)],
    }
    rules = [_one_of(cls, group) for group in cls.one_of]
    if cls in _ALSO:
        rules.append(_ALSO[cls])
    return schema | {"allOf": rules} if rules else schema


def _property(field: Field) -> Schema:
    if field.rule == "moment":
        return _MOMENT
    if field.rule == "record":
        return _REPLACEMENT
    assert isinstance(field.rule, Rule)
    schema = {"description": field.rule.expected, **field.rule.schema}
    if field.required and schema.get("type") == "string" and "pattern" not in schema:
        schema["minLength"] = 1
    return schema


def _one_of(cls: type[Record], group: tuple[str, ...]) -> Schema:
    """Exactly one field of a group; of a run-out's both where they agree, which the parser sees."""
    return {"anyOf" if cls is Runout else "oneOf": [{"required": [name]} for name in group]}


def file_name(kind: str) -> str:
    """The file that holds the schema of a kind."""
    return f"{kind}.schema.json"


def file_text(kind: str) -> str:
    """The schema of a kind as its file holds it."""
    return json.dumps(schema_of(kind), indent=2) + "\n"


def write(where: Path) -> None:
    """Write the schema of every kind into a folder."""
    for kind in KINDS:
        (where / file_name(kind)).write_text(file_text(kind), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    write(folder("schemas") / "station_log")
