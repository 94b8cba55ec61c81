import codecs
import csv
from pathlib import Path
from typing import Any

import pytest

from qc.readers.lines import kind_by_name, open_log
from qc.readers.refusal import FileError, Refusal
from qc.readers.table import RECORD_LINES
from qc.readers.text import LINE_CHARS

KINDS = ("weighing", "gauge", "gauge-check", "runout")


@pytest.fixture
def read(tmp_path: Path):
    def reading(content: str | bytes, name: str = "weighing.csv", **options: Any):
        path = tmp_path / name
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        with open_log(path, **options) as log:
            return log, list(log)

    return reading


def good(lines) -> list[tuple[int, list[str]]]:
    return [(line[0], line[1]) for line in lines if not isinstance(line, Refusal)]


def refused(lines) -> list[Refusal]:
    return [line for line in lines if isinstance(line, Refusal)]


@pytest.mark.parametrize("mark", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_delimiter_and_line_ends_are_found(read, mark, end):
    log, lines = read(end.join([f"serial{mark} gross_g ", f"R1{mark} 412.5", f"R2{mark}", ""]))
    assert log.columns == ["serial", "gross_g"]
    assert log.delimiter == mark
    assert log.decimal_comma == (mark != ",")
    assert good(lines) == [(2, ["R1", " 412.5"]), (3, ["R2", ""])]


@pytest.mark.parametrize(
    ("header", "delimiter", "columns"),
    [
        ('"a,b";c', ";", ["a,b", "c"]),
        ('"a;b;c",d', ",", ["a;b;c", "d"]),
        ("mass, g;serial", ";", ["mass, g", "serial"]),
        ("serial", ",", ["serial"]),
        ('"mass, g"', ",", ["mass, g"]),
        ('"two\nlines",b', ",", ["two\nlines", "b"]),
        (",serial", ",", ["", "serial"]),
        ("serial,,,", ",", ["serial"]),
        ("Serial, serial", ",", ["Serial", "serial"]),
    ],
)
def test_the_header_tells_delimiter_and_columns_exactly(read, header, delimiter, columns):
    log, lines = read(header + "\n")
    assert (log.delimiter, log.columns, lines) == (delimiter, columns, [])


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le-mark", "utf-16-be-mark"]
)
def test_every_encoding_gives_the_same_text(read, encoding):
    text = "serial,note\nR1,Größe 𝟙 \u2028 \x0c \x85\n"
    if encoding.endswith("mark"):
        content = ("\ufeff" + text).encode(encoding.removesuffix("-mark"))
    else:
        content = text.encode(encoding)
    log, lines = read(content)
    assert log.bom == (encoding != "utf-8")
    assert good(lines) == [(2, ["R1", "Größe 𝟙 \u2028 \x0c \x85"])]


def test_a_quoted_cell_runs_over_lines_and_the_record_has_the_number_of_its_first(read):
    _, lines = read('a,b\n1,"x\ny ""z"""\n\n2,"p\r\nq"\n3,r\n')
    assert good(lines) == [(2, ["1", 'x\ny "z"']), (5, ["2", "p\r\nq"]), (7, ["3", "r"])]


def test_a_quote_inside_an_unquoted_cell_is_text(read):
    assert good(read('a,b\n12",5"6\n')[1]) == [(2, ['12"', '5"6'])]


def test_blank_lines_are_skipped_and_counted(read):
    _, lines = read("\n\na,b\n\n   \n1,2\n\r\n\n3,4")
    assert good(lines) == [(6, ["1", "2"]), (9, ["3", "4"])]
    assert refused(lines) == []


@pytest.mark.parametrize("header", ["a,b,", "a,b"])
def test_one_empty_cell_too_many_at_the_end_is_dropped(read, header):
    log, lines = read(f"{header}\n1,2,\n3,4\n5,, \n")
    assert log.columns == ["a", "b"]
    assert good(lines) == [(2, ["1", "2"]), (3, ["3", "4"]), (4, ["5", ""])]


def test_as_many_empty_cells_as_the_header_ends_in_are_dropped(read):
    _, lines = read("a,b,,,\n1,2,,,\n1,2,,,,\n")
    assert good(lines) == [(2, ["1", "2"])]
    assert refused(lines)[0].line == 3


def test_a_line_with_too_few_or_too_many_cells_is_refused_alone_and_says_so(read):
    _, lines = read("a,b,c\n1,2\n1,2,3\n1,2,3,4\n5,6,7\n8,9")
    assert good(lines) == [(3, ["1", "2", "3"]), (5, ["5", "6", "7"])]
    short, long, cut = refused(lines)
    assert short == (
        2, "c", None, "expected 3 cells, found 2: the line ends before 'c'", "1,2",
    )  # fmt: skip
    assert long == (4, None, "4", "expected 3 cells, found 4: too many for the header", "1,2,3,4")
    assert (cut.line, cut.field, cut.raw) == (6, "c", "8,9")


def test_a_last_line_without_line_end_and_all_its_cells_is_taken(read):
    assert good(read("a,b\n1,2")[1]) == [(2, ["1", "2"])]


@pytest.mark.parametrize(
    ("bad", "says", "field", "value"),
    [
        (b"1,M\xfcller", "not UTF-8", "b", r"M\xfcller"),
        (b"1,x\0y", "NUL", "b", r"x\x00y"),
        (b"\xed\xa0\x80,2", "not UTF-8", "a", r"\xed\xa0\x80"),
        (b"1,\xff,3", "not UTF-8", None, r"1,\xff,3"),
    ],
)
def test_a_line_that_is_no_text_is_refused_alone(read, bad, says, field, value):
    _, lines = read(b"a,b\n0,\xc3\xbc\n" + bad + b'\n3,"4"\n')
    assert good(lines) == [(2, ["0", "ü"]), (4, ["3", "4"])]
    (refusal,) = refused(lines)
    assert (refusal.line, refusal.field, refusal.value) == (3, field, value)
    assert says in refusal.reason


def test_half_a_utf_16_character_and_half_a_unit_are_refused_alone(read):
    text = "\ufeffa,b\n1,2\n".encode("utf-16-le")
    lone = b"3\0,\0\x00\xd8\n\0"
    _, lines = read(text + lone + "5,6\n7,".encode("utf-16-le") + b"8")
    assert good(lines) == [(2, ["1", "2"]), (4, ["5", "6"])]
    assert [refusal.line for refusal in refused(lines)] == [3, 5]


@pytest.mark.parametrize("order", ["utf-16-le", "utf-16-be"])
def test_utf_16_without_a_mark_gets_one_clear_refusal(read, order):
    _, lines = read("serial,gross_g\nR1,400\n".encode(order))
    assert [(line.line, line.raw) for line in refused(lines)] == [(1, None)]
    assert "UTF-16 without a byte-order mark" in lines[0].reason


def test_utf_32_gets_one_clear_refusal(read):
    _, lines = read("serial\nR1\n".encode("utf-32"))
    assert len(lines) == 1
    assert "UTF-32" in lines[0].reason


@pytest.mark.parametrize("content", [b"", codecs.BOM_UTF8, codecs.BOM_UTF16_LE, b"\n \r\n"])
def test_an_empty_file_is_refused_at_line_1(read, content):
    assert read(content)[1] == [(1, None, None, "the file is empty", None)]


def test_a_header_without_lines_is_no_fault(read):
    assert read("a,b")[1] == []


@pytest.mark.parametrize(
    ("header", "field", "says"),
    [
        ("a, b,b ", "b", "two columns"),
        ("a,,b,,c", "", "several columns have no name"),
        ('a,"b', None, "quotes"),
        ("a,b\0", None, "NUL"),
        (b"a,\xfc", None, "not UTF-8"),
        ("a" * (LINE_CHARS + 1), None, "longer"),
    ],
)
def test_a_file_with_an_unreadable_header_is_refused_whole(read, header, field, says):
    header = header if isinstance(header, bytes) else header.encode()
    _, lines = read(header + b"\n1,2\n")
    assert [(line.line, line.field) for line in lines] == [(1, field)]
    assert says in lines[0].reason


def test_an_unclosed_quote_refuses_its_line_and_swallows_nothing(read):
    rows = "".join(f"R{at},ok\n" for at in range(5000))
    _, lines = read('a,b\nfirst,ok\nR,"open\n' + rows)
    assert len(good(lines)) == 5001
    assert [(line.line, line.raw) for line in refused(lines)] == [(3, 'R,"open')]


@pytest.mark.parametrize("after", [0, 1, RECORD_LINES - 2, RECORD_LINES, 300])
def test_an_unclosed_quote_near_the_end_of_the_file_swallows_nothing(read, after):
    _, lines = read('a,b\nR,"open\n' + "R,ok\n" * after)
    assert len(good(lines)) == after
    assert [line.line for line in refused(lines)] == [2]


def test_every_line_with_an_unclosed_quote_is_refused(read):
    _, lines = read("a,b\n" + 'R,"open\n' * 1000)
    assert [line.line for line in refused(lines)] == list(range(2, 1002))


def test_text_after_a_closing_quote_refuses_the_line(read):
    _, lines = read('a,b\n1,"12" rim"\n3,4\n')
    assert good(lines) == [(3, ["3", "4"])]
    assert "quotes do not match" in refused(lines)[0].reason


def test_a_record_may_have_as_many_lines_as_stated_and_no_more(read):
    most = "x\n" * (RECORD_LINES - 1)
    _, lines = read(f'a,b\n1,"{most}"\n2,y\n')
    assert good(lines) == [(2, ["1", most]), (2 + RECORD_LINES, ["2", "y"])]
    _, lines = read(f'a,b\n1,"{most}\n"\n2,y\n')
    assert refused(lines)[0].line == 2
    assert good(lines)[-1] == (3 + RECORD_LINES, ["2", "y"])


def test_a_record_over_the_border_of_two_blocks_is_whole(read):
    cell = "line one\nline two\nline three"
    rows = [[f"R{at}", cell, "ü"] for at in range(20_000)]
    content = "a,b,c\n" + "".join(f'{a},"{b}",{c}\n' for a, b, c in rows)
    _, lines = read(content)
    assert good(lines) == [(2 + 3 * at, row) for at, row in enumerate(rows)]


def test_a_line_beyond_the_length_limit_is_refused_alone(read):
    for length in (LINE_CHARS + 1, 3 * LINE_CHARS):
        _, lines = read("a,b\n1,2\n" + '"' * length + "\r\n3,4\n")
        assert good(lines) == [(2, ["1", "2"]), (4, ["3", "4"])]
        assert [(line.line, line.value, line.raw) for line in refused(lines)] == [(3, None, None)]


def test_a_cell_beyond_the_library_limit_is_refused_alone(read):
    _, lines = read("a,b\n1," + "x" * (csv.field_size_limit() + 1) + "\n3,4\n")
    assert good(lines) == [(3, ["3", "4"])]
    assert "a cell is longer" in refused(lines)[0].reason
    assert len(refused(lines)[0].value) <= 200


def test_a_mixed_file_with_lone_cr_inside_cells_is_read(read):
    _, lines = read('a,b\r\n1,"x\ry"\r\n2,z\r\n')
    assert good(lines) == [(2, ["1", "x\ry"]), (4, ["2", "z"])]


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("weighing.csv", "weighing"),
        ("gauge-check_march.csv", "gauge-check"),
        ("gauge-2.csv.gz", "gauge"),
        ("runout_1.CSV", "runout"),
    ],
)
def test_the_longest_kind_that_begins_the_name_is_the_files(name, kind):
    assert kind_by_name(Path(name), KINDS) == kind


def test_a_file_without_a_column_kind_has_the_kind_of_its_name(read):
    log, lines = read("a\n1\n", "gauge-check_march.csv", kinds=iter(KINDS))
    assert log.kind == "gauge-check"
    assert good(lines) == [(2, ["1"])]


@pytest.mark.parametrize("name", ["march.csv", "Weighing.csv", "weighings.csv", "aweighing.csv"])
def test_a_file_whose_kind_nothing_tells_is_refused(read, name):
    _, lines = read("a\n1\n", name, kinds=KINDS)
    assert [(line.line, line.field) for line in lines] == [(1, "kind")]


def test_a_column_kind_tells_each_lines_own(read):
    log, lines = read("kind,a\nrunout,1\n", "march.csv", kinds=KINDS)
    assert log.kind is None
    assert good(lines) == [(2, ["runout", "1"])]


def test_a_missing_required_column_refuses_the_file_and_case_matters(read):
    asked = []

    def required(kind: str | None) -> list[str]:
        asked.append(kind)
        return ["serial", "gross_g", "stage"]

    _, lines = read("serial,Gross_g\nR1,400\n", kinds=KINDS, required=required)
    assert asked == ["weighing"]
    assert lines == [(1, "gross_g", None, "missing column: gross_g, stage", None)]


@pytest.mark.parametrize(
    ("header", "line"), [("a,b,refused_because", "1,2,why"), ("refused_because,a,b", "why,1,2")]
)
def test_the_reason_column_of_a_mended_file_is_no_part_of_the_record(read, header, line):
    log, lines = read(f"{header}\n{line}\n")
    assert log.columns == ["a", "b"]
    assert good(lines) == [(2, ["1", "2"])]


def test_a_path_that_cannot_be_opened_raises(tmp_path):
    (tmp_path / "folder.csv").mkdir()
    for name in ("nowhere.csv", "folder.csv", "nul\0.csv", "photo.jpg"):
        with pytest.raises(FileError, match=name.split("\0", maxsplit=1)[0]):
            open_log(tmp_path / name)


def test_progress_hears_of_bytes_now_and_then_up_to_the_size(read):
    heard: list[int] = []
    log, lines = read("a,b\n" + "1,2\n" * 100_000, progress=heard.append)
    assert heard == sorted(heard)
    assert heard[-1] == log.size == 400_004
    assert len(heard) < 20
    assert len(lines) == 100_000
