import itertools
import json
from pathlib import Path
from typing import Any

import pytest

from qc.readers.lines import kind_by_name, open_log
from qc.readers.refusal import FileError, Refusal
from qc.readers.refused import RefusedLines, refused_paths


def write_out(log_path: Path, target: Path, refuse: Any = lambda fields: None) -> list[Any]:
    """Read a log and write out what the reader refuses and what `refuse` gives a reason for."""
    with open_log(log_path) as log, RefusedLines(log, target) as out:
        for line in log:
            if isinstance(line, Refusal):
                out.add(line.raw, line.reason)
            elif reason := refuse(line[1]):
                out.add(line[2], reason)
    return read(target) if target.exists() else []


def read(path: Path) -> list[Any]:
    with open_log(path) as log:
        return list(log)


@pytest.fixture
def log(tmp_path: Path):
    def making(content: str | bytes, name: str = "weighing_march.csv") -> Path:
        path = tmp_path / name
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    return making


@pytest.fixture
def target(tmp_path: Path) -> Path:
    return tmp_path / "refused" / "weighing_march.refused.csv"


def test_refused_lines_keep_delimiter_and_header_and_get_a_last_column(log, target):
    path = log("serial; gross_g\nR1;412,5\nR2;-3\n=R3;400\nR4;1;2\nR5\n")
    write_out(path, target, lambda cells: "must be > 0; got -3" if cells[1] == "-3" else None)
    assert target.read_bytes().decode() == (
        "serial;gross_g;refused_because\r\n"
        'R2;-3;"must be > 0; got -3"\r\n'
        'R4;1;2;"expected 2 cells, found 3: too many for the header"\r\n'
        "R5;\"expected 2 cells, found 1: the line ends before 'gross_g'\"\r\n"
    )


def test_a_mended_file_imports_again_and_its_name_still_tells_the_kind(log, target):
    path = log('serial,gross_g,note\nR1,0,"=1+1, ""so"""\n')
    write_out(path, target, lambda cells: "must be > 0")
    target.write_bytes(target.read_bytes().replace(b",0,", b",400,"))
    ((_, cells, _),) = read(target)
    assert cells == ["R1", "400", '=1+1, "so"']
    assert kind_by_name(target, ["weighing"]) == "weighing"


def test_bytes_that_are_no_text_are_written_as_they_were(log, target):
    path = log(b"a,b,\n1,M\xfcller,\n\xff\n2,x\0y\n")
    write_out(path, target)
    written = target.read_bytes()
    assert b"1,M\xfcller," in written
    assert b"\r\n\xff," in written
    assert b"2,x\0y," in written
    target.write_bytes(written.replace(b"\xfc", "ü".encode()))
    assert [line[1] for line in read(target) if not isinstance(line, Refusal)] == [["1", "Müller"]]


def test_half_a_character_of_utf_16_is_written_and_refused_again(log, target):
    path = log("\ufeffa,b\n".encode("utf-16-le") + b"1\0,\0\x00\xd8\n\0")
    assert [type(line) for line in write_out(path, target)] == [Refusal]
    assert target.read_bytes().startswith(b"\xef\xbb\xbfa,b,refused_because\r\n1,")


def test_an_open_quote_is_written_as_it_was_and_takes_in_no_other_line(log, target):
    path = log('a,b\n1,"open\n2,"y"\n3,x,z"\n')
    assert [line.line for line in write_out(path, target)] == [2, 3]
    assert b'1,"open,"the quotes' in target.read_bytes()


@pytest.mark.parametrize("header", ["refused_because,a,b", "a,refused_because,b"])
def test_a_log_that_has_a_reason_column_keeps_it_in_its_place(log, target, header):
    path = log(f"{header}\n1,2,3\n1,2\n")
    write_out(path, target, lambda cells: "new")
    cells = ["1", "2", "3"]
    cells[header.split(",").index("refused_because")] = "new"
    assert target.read_text().splitlines() == [header, ",".join(cells), "1,2"]


def test_a_file_refused_whole_leaves_no_refused_file(log, target):
    assert write_out(log("a,a\n1,2\n"), target) == []
    assert not target.parent.exists()


def test_an_old_refused_file_is_replaced_and_goes_when_nothing_is_refused(log, target):
    write_out(log("a,b\n1\n2\n"), target)
    assert len(read(target)) == 2
    write_out(log("a,b\n1,2\n2\n"), target)
    assert len(read(target)) == 1
    write_out(log("a,b\n1,2\n2,3\n"), target)
    assert list(target.parent.iterdir()) == []


def test_a_run_that_breaks_off_leaves_the_old_refused_file_and_nothing_else(log, target):
    write_out(log("a,b\n1\n"), target)
    old = target.read_bytes()

    def break_off(cells: list[str]) -> None:
        raise KeyboardInterrupt

    for content in ("a,b\n9\n1,2\n", "a,b\n1,2\n"):  # with and without a line refused before
        with pytest.raises(KeyboardInterrupt):
            write_out(log(content), target, break_off)
        assert target.read_bytes() == old
        assert list(target.parent.iterdir()) == [target]


def test_a_folder_that_cannot_be_written_is_named(log, tmp_path):
    path = log("a,b\n1\n")
    with pytest.raises(FileError, match="name another folder"):
        write_out(path, path / "inner.refused.csv")


@pytest.mark.parametrize(
    ("line", "written"),
    [
        ('{"gross_g": 412.50, "n": 1e2}', '{"gross_g": 412.50, "n": 1e2, "refused_because": "ß"}'),
        ("{}", '{"refused_because": "ß"}'),
        (' { "a" :[1.0] , "b":"}" } ', '{"a" :[1.0], "b":"}", "refused_because": "ß"}'),
        ('{"refused_because": "old", "a": 1}', '{"a": 1, "refused_because": "ß"}'),
        ('{"a": 1, "a": 2}', '{"a": 1, "a": 2, "refused_because": "ß"}'),
        ('{"a": NaN}', '{"a": NaN, "refused_because": "ß"}'),
        ('{"a": 1', r'{"refused_line": "{\"a\": 1", "refused_because": "ß"}'),
        ('{"a": 1} x', r'{"refused_line": "{\"a\": 1} x", "refused_because": "ß"}'),
        ("{", '{"refused_line": "{", "refused_because": "ß"}'),
        ('{"a"', r'{"refused_line": "{\"a\"", "refused_because": "ß"}'),
        ("[1]", '{"refused_line": "[1]", "refused_because": "ß"}'),
    ],
)
def test_an_object_keeps_its_text_and_gets_a_member(log, tmp_path, line, written):
    target = tmp_path / "march.refused.jsonl"
    with open_log(log(line + "\n", "march.ndjson")) as source, RefusedLines(source, target) as out:
        for found in source:
            out.add(found.raw if isinstance(found, Refusal) else found[2], "ß")
    assert target.read_text(encoding="utf-8") == written + "\n"


def test_bytes_that_are_no_text_survive_in_json_too(log, tmp_path):
    target = tmp_path / "march.refused.jsonl"
    write_out(log(b'{"a": "M\xfcller"}\n{"a": "\xfc\n', "march.jsonl"), target)
    whole, cut = target.read_bytes().splitlines()
    assert whole.startswith(b'{"a": "M\xfcller", "refused_because"')
    assert json.loads(cut)["refused_line"].encode(errors="surrogateescape") == b'{"a": "\xfc'


def test_refused_files_are_named_after_their_logs(tmp_path):
    names = ["weighing_march.csv", "runout.csv.gz", "a.jsonl", "b.NDJSON.gz", "catalog.toml"]
    paths = refused_paths([Path("logs", name) for name in names], tmp_path)
    assert [str(path.relative_to(tmp_path)) for path in paths.values()] == [
        "weighing_march.refused.csv", "runout.refused.csv", "a.refused.jsonl", "b.refused.jsonl",
    ]  # fmt: skip


def test_logs_of_one_name_in_two_folders_have_refused_files_apart_in_any_order(tmp_path):
    logs = [Path("a/weighing.csv"), Path("b/weighing.csv"), Path("b/weighing.csv.gz")]
    answers = [refused_paths(order, tmp_path) for order in itertools.permutations(logs)]
    assert all(answer == answers[0] for answer in answers)
    assert len(set(answers[0].values())) == 3
    for path in answers[0].values():
        assert kind_by_name(path, ["weighing"]) == "weighing"
        assert path.name.endswith(".refused.csv")


def test_a_refused_file_that_is_itself_read_is_never_overwritten(log, tmp_path):
    source, mended = log("a,b\n", "weighing.csv"), log("a,b\n", "weighing.refused.csv")
    first = refused_paths([source, mended], tmp_path)
    assert list(first) == [source]
    assert first[source] != mended
    second = refused_paths([source, mended, first[source]], tmp_path)
    assert second == {}
