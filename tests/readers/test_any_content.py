"""Whatever is in a file: tables come back equal, and nothing but a refusal comes of the rest."""

import csv
import gzip
import json
from io import StringIO
from pathlib import Path
from unittest import mock

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from qc.readers.folder import FORMS
from qc.readers.lines import open_log
from qc.readers.refusal import Refusal
from qc.readers.refused import RefusedLines

ENCODINGS = {"utf-8": b"", "utf-8-sig": b"", "utf-16-le": b"\xff\xfe", "utf-16-be": b"\xfe\xff"}
CELL = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=12)
PLAIN = st.text("abcXYZ0189 .-üß", min_size=1, max_size=8)

fast = settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@st.composite
def tables(draw: st.DrawFn) -> tuple[str, str, int, list[list[str]]]:
    """Delimiter, line end, quoting, and rows that csv.writer writes without loss that way."""
    delimiter, end = draw(st.sampled_from(",;\t")), draw(st.sampled_from(["\n", "\r\n"]))
    quoting = draw(st.sampled_from([csv.QUOTE_ALL, csv.QUOTE_MINIMAL]))
    width = draw(st.integers(1 if delimiter == "," else 2, 5))
    rows = draw(st.lists(st.lists(CELL, min_size=width, max_size=width), max_size=8))
    if quoting == csv.QUOTE_MINIMAL and end == "\n":  # the writer leaves a CR bare then
        rows = [[cell.replace("\r", "") for cell in row] for row in rows]
    if width == 1:  # a line of spaces, or of nothing, is a blank line
        rows = [row for row in rows if row[0].strip()]
    return delimiter, end, quoting, rows


@fast
@given(tables(), st.sampled_from(sorted(ENCODINGS)), st.booleans())
def test_any_table_comes_back_equal_with_its_line_numbers(tmp_path, table, encoding, packed):
    delimiter, end, quoting, rows = table
    out, expected = StringIO(newline=""), []
    writer = csv.writer(out, delimiter=delimiter, lineterminator=end, quoting=quoting)
    writer.writerow([f"column {at}" for at in range(len(rows[0]) if rows else 2)])
    for row in rows:
        expected.append((1 + len(list(StringIO(out.getvalue(), newline=""))), row))
        writer.writerow(row)
    content = ENCODINGS[encoding] + out.getvalue().encode(encoding)
    path = tmp_path / ("weighing.csv.gz" if packed else "weighing.csv")
    path.write_bytes(gzip.compress(content) if packed else content)
    with open_log(path) as log:
        assert [line if isinstance(line, Refusal) else line[:2] for line in log] == expected


# no quotes: where a stray quote ends is a guess, and has its own examples
broken = st.binary(max_size=20).map(
    lambda raw: raw.translate(None, b'\r\n"') or b"\0"
) | st.sampled_from([b"\0", b"\xff,\xff", b"1", b",,,,", b"\xe2\x82", b'x,"y', b'"x"y,1'])


@fast
@given(st.lists(st.tuples(PLAIN, PLAIN, st.booleans()) | broken, max_size=30))
def test_good_csv_lines_around_broken_ones_are_kept(tmp_path, parts):
    path = tmp_path / "weighing.csv"
    content, expected = b"a,b\n", []
    for number, part in enumerate(parts, 2):
        if isinstance(part, bytes):
            content += part + b"\n"
        else:
            one, two, quoted = part
            content += (f'"{one}","{two}"\n' if quoted else f"{one},{two}\n").encode()
            expected.append((number, [one, two]))
    path.write_bytes(content)
    with open_log(path) as log:
        good = [line[:2] for line in log if not isinstance(line, Refusal)]
    assert [line for line in good if line in expected] == expected


@fast
@given(st.lists(st.tuples(PLAIN) | broken, max_size=30))
def test_good_json_lines_around_broken_ones_are_kept(tmp_path, parts):
    path = tmp_path / "march.jsonl"
    content, expected = b'{"a": "first"}\n', [(1, {"a": "first"})]
    for number, part in enumerate(parts, 2):
        if isinstance(part, bytes):
            content += part + b"\n"
        else:
            content += json.dumps({"a": part[0]}, ensure_ascii=False).encode() + b"\n"
            expected.append((number, {"a": part[0]}))
    path.write_bytes(content)
    with open_log(path) as log:
        assert [line[:2] for line in log if not isinstance(line, Refusal)] == expected


HEADS = st.sampled_from(
    [b"", b"a,b\n", b"a;b\r\n", b'"a"\tb\n', b"\xff\xfea\0,\0b\0\n\0", b'{"a":']
)
# mostly the marks that mean something to a reader
SOUP = st.lists(st.sampled_from([b'"', b",", b";", b"\n", b"\r", b"\0", b"x", b'{"a":1}', b"\xff"]))
BYTES = st.builds(lambda head, tail: head + tail, HEADS, st.binary() | SOUP.map(b"".join))
LOG_FORMS = [form for form in FORMS if form != "catalog.toml"]


@fast
@given(BYTES, st.sampled_from(LOG_FORMS), st.booleans())
def test_any_bytes_give_lines_or_refusals_that_can_be_shown(tmp_path, content, form, packed):
    path = tmp_path / f"weighing{form}"
    path.write_bytes(gzip.compress(content) if packed else content)
    with open_log(path) as log:
        numbers = [0]
        for line in log:
            if isinstance(line, Refusal):
                for text in (line.field, line.value, line.reason):
                    (text or "").encode()
            elif log.form == "csv":
                assert len(line[1]) == len(log.columns)
            numbers.append(line[0])
    assert numbers == sorted(numbers)


@fast
@given(SOUP.map(b"".join) | st.binary(), st.integers(4, 12), st.sampled_from(LOG_FORMS))
def test_where_a_file_is_cut_into_chunks_changes_nothing(tmp_path, content, size, form):
    path = tmp_path / f"weighing{form}"
    content = b"a,b\n" + content
    path.write_bytes(gzip.compress(content) if form.endswith(".gz") else content)
    with open_log(path) as log:
        whole = list(log)
    with mock.patch("qc.readers.stream.CHUNK_BYTES", size), open_log(path) as log:
        assert list(log) == whole


@fast
@given(BYTES, st.sampled_from([".csv", ".jsonl"]))
def test_an_unmended_refused_file_is_refused_again_line_for_line(tmp_path, content, form):
    path, target = tmp_path / f"weighing{form}", tmp_path / f"weighing.refused{form}"
    path.write_bytes(content)
    with open_log(path) as log, RefusedLines(log, target) as out:
        written = 0
        for line in log:
            if isinstance(line, Refusal):
                out.add(line.raw, 'because, it says "so"\nand so')
                written += line.raw is not None
    assert target.exists() == bool(written)
    if written:
        with open_log(target) as log:
            again = list(log)
        # an object that is no JSON comes back inside another, which no kind of record fits
        assert all(isinstance(line, Refusal) or "refused_line" in line[1] for line in again)
        assert len(again) >= written


def test_the_forms_are_those_a_log_can_have():
    assert set(LOG_FORMS) == {
        mark + packing for mark in (".csv", ".jsonl", ".ndjson") for packing in ("", ".gz")
    }


@pytest.mark.parametrize("form", LOG_FORMS)
def test_every_form_is_opened(tmp_path: Path, form: str):
    path = tmp_path / f"weighing{form}"
    content = b'{"a": "1"}\n' if "json" in form or "ndjson" in form else b"a\n1\n"
    path.write_bytes(gzip.compress(content) if form.endswith(".gz") else content)
    with open_log(path) as log:
        assert len(list(log)) == 1
