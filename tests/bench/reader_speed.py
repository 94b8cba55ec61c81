"""Our reader's time beside csv.reader's (and json.loads') on the same file of a million lines.

Run by hand: `python tests/bench/reader_speed.py [lines]`.
"""

import csv
import json
import sys
import tempfile
import time
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from qc.readers.lines import open_log

COLUMNS = ["serial", "stage", "gauge", "gross_g", "fitted", "taken_at", "station", "inspector"]


def cells(at: int) -> list[str]:
    minute = at // 60 % 60
    taken_at = f"2026-03-{at % 28 + 1:02}T08:{minute:02}:{at % 60:02}+01:00"
    return [f"R{at:07}", "rim", "S1", f"{400 + at % 500 / 10}", "", taken_at, "scale-1", "kb"]


def by_csv(path: Path) -> int:
    with path.open(newline="", encoding="utf-8") as file:
        return sum(1 for _ in csv.reader(file)) - 1


def by_json(path: Path) -> int:
    with path.open(encoding="utf-8") as file:
        return sum(1 for line in file if json.loads(line, parse_float=Decimal, parse_int=Decimal))


def by_us(path: Path) -> int:
    with open_log(path) as log:
        return sum(1 for _ in log)


def seconds(read: Callable[[Path], int], path: Path, lines: int) -> float:
    """The best of three runs."""
    times = []
    for _ in range(3):
        start = time.perf_counter()
        count = read(path)
        times.append(time.perf_counter() - start)
        if count != lines:
            raise SystemExit(f"{path.name}: read {count} of {lines} lines")
    return min(times)


def compare(path: Path, lines: int, theirs: Callable[[Path], int]) -> None:
    ours_s, theirs_s = seconds(by_us, path, lines), seconds(theirs, path, lines)
    print(
        f"{path.name:22} ours {ours_s / lines * 1e6:5.2f} µs a line,"
        f" library {theirs_s / lines * 1e6:5.2f}, ratio {ours_s / theirs_s:4.2f}"
    )


def main(lines: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        plain, quoted = Path(folder, "weighing_plain.csv"), Path(folder, "weighing_quoted.csv")
        for path, quoting in ((plain, csv.QUOTE_MINIMAL), (quoted, csv.QUOTE_ALL)):
            with path.open("w", newline="", encoding="utf-8") as file:
                writer = csv.writer(file, quoting=quoting)
                writer.writerow(COLUMNS)
                writer.writerows(cells(at) for at in range(lines))
            compare(path, lines, by_csv)
        objects = Path(folder, "weighing.jsonl")
        with objects.open("w", encoding="utf-8") as file:
            for at in range(lines):
                record = {**dict(zip(COLUMNS, cells(at), strict=True)), "gross_g": 400 + at % 500}
                file.write(json.dumps(record) + "\n")
        compare(objects, lines, by_json)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
