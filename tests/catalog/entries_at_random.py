"""Random entries of every table, as the reader of `catalog.toml` takes them."""

from decimal import Decimal
from typing import Any

from hypothesis import strategies as st

from qc.catalog.entries import TABLES, Entry, key_of
from qc.catalog.toml_file import FIELDS, read_entry
from qc.records import rules
from tests.records.at_random import CLEAN, CODES, NUMBERS, TEXTS

_TINY_TO_LARGE = st.decimals("1e-12", "1e12", allow_nan=False, allow_infinity=False).filter(
    lambda number: len(number.as_tuple().digits) <= rules.MAX_DIGITS
)
_NOT_NEGATIVE = _TINY_TO_LARGE | st.just(Decimal(0))
_ANGLES = st.lists(NUMBERS.filter(lambda n: 0 <= n < 360) | st.integers(0, 359), min_size=1)
_DAYS = st.dates().map(str)
_BY_NAME = {
    "time_zone": st.sampled_from(["Europe/Lisbon", "America/Argentina/Ushuaia", "Asia/Kathmandu"]),
    "positions_deg": _ANGLES.filter(lambda angles: len(set(angles)) == len(angles)).map(
        lambda angles: [Decimal(angle) for angle in angles]
    ),
    "requires": st.lists(CODES, min_size=1, max_size=5),
    "batches": st.lists(CODES, min_size=1, max_size=5),
    "request": st.sampled_from(["V\\r\\n", "\\x02?\\\\", '"'] ),
}  # fmt: skip
_BY_RULE = {
    rules.CODE: CODES,
    rules.NUMBER: NUMBERS,
    rules.POSITIVE: _TINY_TO_LARGE,
    rules.NOT_NEGATIVE: _NOT_NEGATIVE,
    rules.DAY: _DAYS,
}


def _value(name: str, rule: rules.Rule) -> st.SearchStrategy[Any]:
    if name in _BY_NAME:
        return _BY_NAME[name]
    if rule in _BY_RULE:
        return _BY_RULE[rule]
    if "enum" in rule.schema:
        return st.sampled_from(rule.schema["enum"])
    if rule.schema.get("type") == "integer":
        least, most = rule.schema["minimum"], rule.schema["maximum"]
        return st.integers(least, most).map(Decimal)
    return TEXTS


@st.composite
def entries(draw: Any, table: str) -> Entry:
    """An entry of a table with any of its keys, with or without a day, with keys of the shop's."""
    item: dict[str, Any] = {}
    for name, field in FIELDS[table].items():
        assert isinstance(field.rule, rules.Rule)
        needed = field.required or name == "lower" or (table, name) == ("claim", "from")
        # an upper limit would have to lie above the lower one
        if needed or (name != "upper" and draw(st.booleans())):
            item[name] = draw(_value(name, field.rule))
    names = st.text(CLEAN, max_size=12).filter(lambda name: name not in FIELDS[table])
    values = TEXTS | NUMBERS | st.booleans()
    item |= draw(st.dictionaries(names, values, max_size=3))
    entry, _ = read_entry(table, item)
    return entry


def any_entries() -> st.SearchStrategy[list[Entry]]:
    """Entries of all tables at once; no two of them answer to one key."""
    each = st.sampled_from(sorted(TABLES)).flatmap(entries)
    return st.lists(each, max_size=8, unique_by=key_of)
