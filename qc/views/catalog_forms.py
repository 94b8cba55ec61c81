"""The forms of the catalog, derived from its entry types: fields, choices, units, what is expected.

What is typed is text, one for each key (a list for a choice of several); it becomes an entry by
the rules that read `catalog.toml`, or refusals that name the field.
"""

import datetime as dt
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

import msgspec

from qc.catalog.catalog import Catalog
from qc.catalog.checks import COMPUTED, PLAN_ITEMS, entry_checker
from qc.catalog.entries import (
    TABLES,
    Batch,
    Characteristic,
    Entry,
    Gauge,
    Model,
    Protocol,
    table_of,
)
from qc.catalog.toml_file import FIELDS, read_entry
from qc.records.parsing import Field, Refused
from qc.records.rules import Rule
from qc.views.catalog import ALL_DAYS
from qc.views.catalog_words import label, unit_of

Shown = dict[str, Any]
Typed = dict[str, Any]

_REFERS: dict[str, type[Entry]] = {
    "model": Model,
    "characteristic": Characteristic,
    "protocol": Protocol,
    "gauge": Gauge,
}
_NONE = {"model": "any", "stage": "any", "of": "what is usual at that stage"}
_HELP = {
    "positions_deg": "angles with spaces between, such as 0 90 182.5",
    "pattern": "a regular expression (RE2) with a group (?P<value>...) that holds the number",
    "request": r"at most 40 printable characters, with \r, \n, \t, \\ and \xNN for others",
}
_LONG = ("name", "source", "reason", "pattern", "striker", "tyre")


def form(catalog: Catalog, table: str, entry: Entry | None, today: dt.date) -> list[Shown]:
    """The fields of a new entry, or of a new version of one: what it is of then stands fixed.

    Each has `name`, `label`, `unit`, `type` (`choice`, `several` or `text`), `required`, `help`,
    `start` and, where there is a choice, `options` (code to words).
    """
    start = typed_of(entry) if entry is not None else _defaults(table)
    fixed = TABLES[table].named_by if entry is not None else ()
    if table not in ALL_DAYS:
        start["from"] = today.isoformat()
    if entry is not None and table in ALL_DAYS:
        fixed = ("code",)
    return [
        _field(catalog, table, field) | {"start": start.get(name, "")}
        for name, field in _in_order(table).items()
        if name not in fixed and not (name == "from" and table in ALL_DAYS)
    ]


def _in_order(table: str) -> dict[str, Field]:
    """What it is of first, then what must be given, then the rest, then the day it holds from."""
    fields = FIELDS[table]
    named = {name: fields[name] for name in TABLES[table].named_by if fields[name].required}
    needed = {name: field for name, field in fields.items() if field.required}
    rest = {name: field for name, field in fields.items() if name != "from"}
    return named | needed | rest | {"from": fields["from"]}


def _field(catalog: Catalog, table: str, field: Field) -> Shown:
    assert isinstance(field.rule, Rule)
    name, rule = field.name, field.rule
    shown: Shown = {
        "name": name,
        "label": label(name),
        "unit": unit_of(name),
        "required": field.required or (table == "claim" and name == "from"),
        "help": rule.expected,
    }
    options = _options(catalog, table, name, rule)
    if options is None:
        shown |= {"type": "text", "long": name in _LONG, "help": _HELP.get(name, rule.expected)}
    elif name in ("requires", "batches"):
        shown |= {"type": "several", "options": options}
    else:
        at_batches = (table, name) == ("baseline", "stage")
        none = "none: of batches" if at_batches else _NONE.get(name, "not given")
        shown |= {"type": "choice", "options": ({} if field.required else {"": none}) | options}
    return shown


def _options(catalog: Catalog, table: str, name: str, rule: Rule) -> dict[str, str] | None:
    """What there is to choose from, or None where anything may be typed."""
    if name == "requires":
        codes = [*PLAN_ITEMS, *catalog.codes(Characteristic)]
    elif name == "batches":
        newest = reversed(catalog.entries(Batch))
        return {batch.code: f"{batch.code} ({batch.model})" for batch in newest}
    elif name in _REFERS:
        codes = catalog.codes(_REFERS[name])
        if table == "baseline" and name == "characteristic":
            codes = [*COMPUTED, *codes]
    elif "enum" in rule.schema:
        return {option: option.replace("-", " ") for option in rule.schema["enum"]}
    else:
        return None
    return {code: code for code in codes}


def typed_of(entry: Entry) -> Typed:
    """An entry as it would be typed."""
    return {
        "from" if name == "since" else name: _text(getattr(entry, name))
        for name in ("since", *(f for f in FIELDS[table_of(entry)] if f != "from"))
        if getattr(entry, name) is not None
    }


def _text(value: Any) -> Any:
    if isinstance(value, tuple):
        items = [_text(item) for item in value]
        return " ".join(items) if isinstance(value[0], Decimal) else items
    return f"{value:f}" if isinstance(value, Decimal) else str(value)


def _defaults(table: str) -> Typed:
    return {
        field.name: _text(field.default)
        for field in msgspec.structs.fields(TABLES[table])
        if field.name in FIELDS[table] and field.default not in (None, msgspec.NODEFAULT)
    }


def factor_rows(catalog: Catalog, entry: Entry | None) -> list[tuple[str, str]]:
    """The factors of a batch; for a new one the names of the last, so that a shop keeps them."""
    if isinstance(entry, Batch):
        return list(entry.factors.items())
    batches = catalog.entries(Batch)
    return [(name, "") for name in batches[-1].factors] if batches else []


def read(
    catalog: Catalog, table: str, typed: Mapping[str, Any], entry: Entry | None = None
) -> Entry | list[Refused]:
    """The entry that was typed, or everything that keeps it from being one.

    `entry` is the version that it changes: what the form does not show is taken from there.
    `typed["factors"]` are the rows of a batch's factors, each a name and a value.
    """
    given = {name: value for name, value in typed.items() if name != "factors"}
    item = {name: _plain(table, name, value) for name, value in given.items()}
    item = _hidden(table, entry) | {name: value for name, value in item.items() if value}
    faults = [fault for name, value in item.items() if (fault := _fault(table, name, value))]
    try:
        item |= _factors(table, typed.get("factors", ()))
        if faults:
            return faults
        read_one, _ = read_entry(table, item)
        entry_checker(catalog, [read_one])(read_one)
    except Refused as fault:
        return [*faults, fault]
    return read_one


def _factors(table: str, rows: Sequence[tuple[str, str]]) -> dict[str, str]:
    """The rows that hold something; each needs a name of its own."""
    found: dict[str, str] = {}
    for name, value in ((name.strip(), value.strip()) for name, value in rows):
        if not value:
            continue
        if not name:
            raise Refused("factor", value, "this factor needs a name, such as mould")
        if name in found or name in FIELDS[table]:
            raise Refused("factor", name, "this name is taken already; choose another")
        found[name] = value
    return found


def _hidden(table: str, entry: Entry | None) -> Typed:
    """What an entry keeps although the form of its next version does not ask for it."""
    if entry is None:
        return {}
    typed = typed_of(entry)
    names = ("from", "code") if table in ALL_DAYS else entry.named_by
    return {name: typed[name] for name in names if name in typed} | entry.other


def _plain(table: str, name: str, value: Any) -> Any:
    """What was typed as the file would have it; a comma is a decimal comma."""
    if not isinstance(value, str):
        return value
    rule = FIELDS[table][name].rule
    assert isinstance(rule, Rule)
    if name == "positions_deg":
        return value.replace(",", ".").split()
    return value.strip().replace(",", ".") if rule.numeric else value.strip()


def _fault(table: str, name: str, value: Any) -> Refused | None:
    """What is wrong with one value by itself."""
    field = FIELDS[table].get(name)
    if field is None:
        return None
    assert isinstance(field.rule, Rule)
    try:
        field.rule.read(value)
    except (ValueError, ArithmeticError):
        return Refused(name, value, f"expected {field.rule.expected}")
    return None


def refusal(faults: Sequence[Refused]) -> list[str]:
    """Each refusal as a sentence: the field as the form calls it, what was given, the rule."""
    return [
        f"{label(fault.field)}: "
        + (f"{fault.value} was given; {fault.reason}." if fault.value else f"{fault.reason}.")
        for fault in faults
    ]
