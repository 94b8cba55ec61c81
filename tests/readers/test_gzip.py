import gzip
import random
import tracemalloc
import zlib
from pathlib import Path

import pytest

from qc.readers.lines import open_log
from qc.readers.refusal import Refusal
from qc.readers.text import LINE_CHARS

ROWS = [[f"R{at}", str(random.Random(at).random())] for at in range(20_000)]
TEXT = "serial,value\n" + "".join(f"{a},{b}\n" for a, b in ROWS)
PACKED = gzip.compress(TEXT.encode())


@pytest.fixture
def read(tmp_path: Path):
    def reading(content: bytes):
        path = tmp_path / "weighing.csv.gz"
        path.write_bytes(content)
        with open_log(path) as log:
            return list(log)

    return reading


def split(lines) -> tuple[list[list[str]], list[Refusal]]:
    good = [line[1] for line in lines if not isinstance(line, Refusal)]
    return good, [line for line in lines if isinstance(line, Refusal)]


def test_a_packed_log_reads_like_a_plain_one(read):
    assert split(read(PACKED)) == (ROWS, [])


def test_members_one_after_another_and_padding_are_read(read):
    half = TEXT.index("\nR9000,") + 4  # in the middle of a line
    parts = [gzip.compress(part.encode()) for part in (TEXT[:half], TEXT[half:], "")]
    assert split(read(b"\0\0".join(parts) + b"\0" * 600)) == (ROWS, [])


def test_a_thousand_tiny_members_are_read(read):
    tiny = b"".join(gzip.compress(TEXT[at : at + 3].encode()) for at in range(0, 3000, 3))
    good, _ = split(read(tiny + gzip.compress(TEXT[3000:].encode())))
    assert good == ROWS


@pytest.mark.parametrize("kept", [0.1, 0.5, 0.999])
def test_a_packed_log_that_is_cut_off_keeps_the_whole_lines_before_the_cut(read, kept):
    cut = PACKED[: int(len(PACKED) * kept)]
    before = zlib.decompressobj(31).decompress(cut).decode()
    good, (fault,) = split(read(cut))
    assert len(good) == before.count("\n") - 1  # as many as the library itself unpacks
    assert good == ROWS[: len(good)]
    assert fault.line == len(good) + 2
    assert "cut off" in fault.reason
    assert fault.raw is None


def test_a_damaged_check_sum_keeps_the_lines_and_says_so(read):
    good, (fault,) = split(read(PACKED[:-8] + b"12345678"))
    assert good == ROWS
    assert fault.line == len(ROWS) + 2
    assert "damaged" in fault.reason


def test_damage_in_the_middle_keeps_the_lines_before_it(read):
    middle = len(PACKED) // 2
    good, faults = split(read(PACKED[:middle] + b"\xff" * 100 + PACKED[middle + 100 :]))
    sound = len(zlib.decompressobj(31).decompress(PACKED[:middle]).decode().splitlines()) - 2
    assert sound > 5000
    assert good[:sound] == ROWS[:sound]
    assert "damaged" in faults[-1].reason


def test_what_is_not_gzip_is_refused_at_line_1(read):
    (line,) = read(TEXT.encode())
    assert line == (1, None, None, "this is not gzip data", None)


def test_rubbish_after_the_packed_data_is_named(read):
    good, (fault,) = split(read(PACKED + b"rubbish"))
    assert good == ROWS
    assert "what follows here is not gzip" in fault.reason


def test_an_empty_packed_file_is_empty(read):
    for content in (b"", gzip.compress(b"")):
        assert read(content) == [(1, None, None, "the file is empty", None)]


def peak_bytes(path: Path) -> tuple[int, int]:
    """Lines read, and the most memory held on the way."""
    tracemalloc.start()
    with open_log(path) as log:
        count = sum(1 for _ in log)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return count, peak


@pytest.mark.parametrize("unit", ["R1,412.5\n", 'R1,"41\n2.5"\n', "R1,4\0\n", "ü\x85,1\n"])
def test_memory_does_not_grow_with_the_file(tmp_path, unit):
    peaks = []
    for count in (50_000, 100_000):
        path = tmp_path / f"weighing_{count}.csv"
        path.write_text("a,b\n" + unit * count, encoding="utf-8", newline="")
        lines, peak = peak_bytes(path)
        assert lines == count
        peaks.append(peak)
    assert peaks[1] < 1.1 * peaks[0]
    assert peaks[1] < 6_000_000


@pytest.mark.parametrize("unit", [b"x", b"\0", b'"', b',"\n', "ü".encode()])
def test_a_bomb_or_a_line_without_end_stays_in_bounded_memory(tmp_path, unit):
    path = tmp_path / "weighing.csv.gz"
    with gzip.open(path, "wb", compresslevel=1) as file:
        file.write(b"a,b\n")
        for _ in range(4):
            file.write(unit * (LINE_CHARS if b"\n" not in unit else 10_000))
    lines, peak = peak_bytes(path)
    assert lines
    assert peak < 16_000_000
