import json
from decimal import Decimal
from pathlib import Path

import pytest

from qc.readers.lines import open_log
from qc.readers.objects import NESTING
from qc.readers.refusal import Refusal
from qc.readers.text import LINE_CHARS


@pytest.fixture
def read(tmp_path: Path):
    def reading(content: str | bytes, name: str = "march.jsonl"):
        path = tmp_path / name
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        with open_log(path, kinds=("weighing",)) as log:
            assert log.form == "jsonl"
            assert not log.decimal_comma
            return list(log)

    return reading


def test_numbers_come_as_written_and_the_text_comes_along(read):
    text = '{"kind": "weighing", "gross_g": 412.50, "n": 3, "deep": [1e2, true, null]}'
    (line,) = read(text + "\r\n")
    number, members, raw = line
    assert (number, raw) == (1, text)
    assert members["gross_g"].as_tuple() == Decimal("412.50").as_tuple()
    assert isinstance(members["n"], Decimal)
    assert members["deep"] == [Decimal("1E+2"), True, None]


@pytest.mark.parametrize("name", ["a.jsonl", "a.ndjson", "a.NDJSON"])
def test_blank_lines_are_skipped_and_counted(read, name):
    lines = read('\n{"a": "1"}\n  \n \t{"a": "2"} \n', name)
    assert [(line[0], line[1]) for line in lines] == [(2, {"a": "1"}), (4, {"a": "2"})]


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16"])
def test_other_encodings_are_read(read, encoding):
    assert read('{"a": "ü"}'.encode(encoding))[0][1] == {"a": "ü"}


def test_the_reason_of_a_mended_line_is_no_part_of_it(read):
    assert read('{"a": "1", "refused_because": "why"}')[0][1] == {"a": "1"}


@pytest.mark.parametrize(
    ("bad", "field", "says"),
    [
        ('{"a": 1, "b": 2', None, "not JSON"),
        ("serial,gross_g", None, "not JSON"),
        ('{"a": 1} {"a": 2}', None, "text follows"),
        ("[1, 2]", None, "expected a JSON object"),
        ('"text"', None, "expected a JSON object"),
        ('{"a": 1, "b": {"c": 1, "c": 1}}', "c", "twice"),
        ('{"a": NaN}', None, "expected a number"),
        ('{"a": -Infinity}', None, "expected a number"),
        ('{"a": 1e9999999999999999999}', None, "too large"),
        ('{"a": ' + "[" * NESTING + "]" * NESTING + "}", None, "nested deeper"),
        ('{"a": ' + "[" * 100_000 + "]" * 100_000 + "}", None, "nested deeper"),
        (r'{"a": ["x", "\ud800"]}', "a", "lone surrogates"),
        (r'{"\uDfff": 1}', r"\xed\xbf\xbf", "lone surrogates"),
        (r'{"a": "\u0000"}', "a", "NUL"),
        ('{"a": "tab\tinside"}', None, "not JSON"),
        (b'{"a": "M\xfcller"}', None, "not UTF-8"),
        (b'{"a": "\0"}', None, "NUL"),
    ],
)
def test_a_bad_line_is_refused_alone_with_its_text(read, bad, field, says):
    raw = bad if isinstance(bad, bytes) else bad.encode()
    first, refusal, last = read(b'{"n": 1}\n' + raw + b'\n{"n": 3}\n')
    assert (first[0], last[0]) == (1, 3)
    assert isinstance(refusal, Refusal)
    assert (refusal.line, refusal.field) == (2, field)
    assert says in refusal.reason
    assert refusal.raw == raw.decode(errors="surrogateescape")
    json.dumps(refusal.value).encode()
    assert len(refusal.value or "") <= 4 * 200


@pytest.mark.parametrize(
    "fine", [r'{"a": "\\ud800"}', r'{"a": "\ud83d\ude00"}', '{"a": "' + "[" * 100 + '"}']
)
def test_what_only_looks_like_a_fault_is_taken(read, fine):
    assert read(fine)[0][1] == json.loads(fine)


def test_the_deepest_nesting_allowed_is_taken(read):
    fine = '{"a": ' + "[" * (NESTING - 1) + "]" * (NESTING - 1) + "}"
    assert read(fine)[0][1] == json.loads(fine)


def test_a_line_cut_off_at_the_end_of_the_file_is_refused_alone(read):
    lines = read('{"a": "1"}\n{"a": "2')
    assert lines[0][:2] == (1, {"a": "1"})
    assert (lines[1].line, lines[1].raw) == (2, '{"a": "2')


def test_a_line_beyond_the_length_limit_is_refused_alone(read):
    lines = read('{"a": "1"}\n{"a": "' + "x" * LINE_CHARS + '"}\n{"a": "3"}')
    assert [line[0] for line in lines] == [1, 2, 3]
    assert lines[1][1:] == (None, None, f"the line is longer than {LINE_CHARS} characters", None)


def test_an_empty_file_holds_no_records(read):
    assert read("\n") == []
