import json
from zoneinfo import ZoneInfo

import pytest

from qc.devices.log_lines import log_lines
from qc.readers.lines import open_log
from qc.readers.objects import read_entry
from qc.records.canonical import body
from qc.records.kinds import KINDS
from qc.records.parsing import RecordParser
from tests.maker import fields, made, write_csv

PARSER = RecordParser(ZoneInfo("Europe/Lisbon"))

MORE = {"correction": {"of": "123e4567-e89b-42d3-a456-426614174000", "void": True}}


def lines_of(path):
    refused = []
    with open_log(path, kinds=KINDS) as log:
        return list(log_lines(log, refused)), refused


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("kind", KINDS)
def test_a_row_of_any_kind_is_the_same_record_when_it_is_sent(tmp_path, kind, delimiter):
    row = fields(kind, note="a; b, c", **MORE.get(kind, {}))
    cells = {name: json.dumps(value) if isinstance(value, dict | bool) else value
             for name, value in row.items()}  # fmt: skip
    lines, refused = lines_of(write_csv(tmp_path / f"{kind}-x.csv", [cells], delimiter))
    assert refused == []
    read = read_entry(1, lines[0].decode())
    sent = PARSER.from_object(read[1])
    assert body(sent) == body(made(row))


def test_a_decimal_comma_is_a_point_where_numbers_stand_and_only_there(tmp_path):
    path = tmp_path / "weighing.csv"
    path.write_text(
        "serial;stage;gauge;gross_g;taken_at;station;inspector;note\n"
        "W1;rim;S1;450,5;2026-02-02T10:00:00;ST-1;ann;450,5 it says\n"
        ";;;;;;;\n"
    )
    (line,), refused = lines_of(path)
    assert refused == []
    sent = json.loads(line)
    assert (sent["gross_g"], sent["note"], sent["kind"]) == ("450.5", "450,5 it says", "weighing")


def test_a_line_of_json_is_sent_as_it_is_written(tmp_path):
    path = tmp_path / "x.jsonl"
    path.write_text('{"kind": "weighing",  "gross_g": 450.10}\n\n')
    assert lines_of(path) == ([b'{"kind": "weighing",  "gross_g": 450.10}'], [])


def test_what_cannot_be_read_is_refused_here(tmp_path):
    path = tmp_path / "weighing.csv"
    path.write_text("serial,stage,gauge,gross_g\nW1,rim,S1\nW2,rim,S1,450\n")
    lines, refused = lines_of(path)
    assert (lines, refused[0].field) == ([], "taken_at")
    path.write_text("serial,stage,gauge,gross_g,taken_at,station,inspector\nW1,rim,S1\n")
    lines, refused = lines_of(path)
    assert (lines, refused[0].line) == ([], 2)
