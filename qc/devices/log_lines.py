"""A log as lines of JSON that the server reads as it would read the log."""

from collections.abc import Iterator

import msgspec

from qc.readers.lines import Log
from qc.readers.refusal import Refusal, encoded
from qc.records.parsing import FIELDS, missing_columns
from qc.records.rules import Rule

_NUMERIC = frozenset(
    field.name
    for fields in FIELDS.values()
    for field in fields
    if isinstance(field.rule, Rule) and field.rule.numeric
)


def log_lines(log: Log, refused: list[Refusal]) -> Iterator[bytes]:
    """Every line as an object, its values as they are written; what cannot be read is `refused`."""
    missing = missing_columns(log.kind, log.columns) if log.kind and log.columns else None
    if missing:
        refused.append(Refusal(1, missing, None, f"missing column: {missing}"))
        return
    for line in log:
        if isinstance(line, Refusal):
            refused.append(line)
        elif log.form == "jsonl":
            yield encoded(line[2])
        elif fields := _fields(log, line[1]):
            yield msgspec.json.encode(fields if log.kind is None else {"kind": log.kind} | fields)


def _fields(log: Log, cells: list[str]) -> dict[str, str]:
    """What stands in a row; nothing for a spreadsheet's empty one."""
    given = {name: text for name, cell in zip(log.columns, cells, strict=True)
             if (text := cell.strip())}  # fmt: skip
    if log.decimal_comma:
        for name in given.keys() & _NUMERIC:
            given[name] = given[name].replace(",", ".")
    return given
