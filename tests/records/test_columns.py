"""A column at a time or a line at a time: the same records, or a refusal either way."""

from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st

from qc.records.columns import ColumnParser
from qc.records.kinds import KINDS
from qc.records.parsing import FIELDS, RecordParser, Refused
from tests.records.at_random import objects

ZONE = ZoneInfo("Europe/Lisbon")
# what stands in a cell now and then: nothing, spaces, and what no rule takes
ODD = st.sampled_from(["", " ", "x y", "-1", "1e3", "0", "É", "2026-02-30T10:00:00Z", "S1 "])


def cell(value):
    if isinstance(value, dict):
        return " ".join(f"{code}:{count}" for code, count in value.items())
    if isinstance(value, list):
        return " ".join(map(str, value))
    return str(value)


@st.composite
def tables(draw):
    """A kind, its columns in some order with unknown ones among them, and rows of cells."""
    kind = draw(st.sampled_from(sorted(KINDS.keys() - {"correction"})))
    columns = draw(st.permutations([field.name for field in FIELDS[kind]] + ["room", "wind"]))
    drawn = draw(st.lists(objects(kind), min_size=1, max_size=4))
    rows = [[cell(line.get(name, "")).replace("\n", " ") for name in columns] for line in drawn]
    if draw(st.booleans()):
        at = draw(st.tuples(st.integers(0, len(rows) - 1), st.integers(0, len(columns) - 1)))
        rows[at[0]][at[1]] = draw(ODD)
    return kind, columns, rows * draw(st.integers(1, 2))


@settings(max_examples=300, deadline=None)
@given(tables(), st.booleans())
def test_whole_columns_give_the_records_that_single_lines_give(table, decimal_comma):
    kind, columns, rows = table
    parser = RecordParser(ZONE, decimal_comma=decimal_comma)
    try:
        singly = [parser.from_cells(kind, columns, row) for row in rows]
    except Refused:
        singly = None
    together = ColumnParser(parser, kind, columns)
    assert together.read(rows) == singly
    assert together.read(rows[:1]) == (singly and singly[:1]) or singly is None
