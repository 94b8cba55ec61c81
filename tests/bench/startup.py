"""How long commands take to start: `python tests/bench/startup.py DB [--repeats 15]`.

`rimqc --help` against `python -c pass` (limit 3 times), and `rimqc flags` against a Python that
imports SQLAlchemy and runs one query (limit 2 times). DB: the demo's logs, imported. The median of
alternating runs; the program is the installed `rimqc`.
"""

import argparse
import statistics
import subprocess
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.bench.row import row

QUERY = (
    "import sys, sqlalchemy as s; e = s.create_engine(sys.argv[1]); "
    "print(e.connect().execute(s.text('SELECT count(*) FROM flag')).scalar())"
)


def took(line: list[str]) -> float:
    began = time.perf_counter()
    subprocess.run(line, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - began


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("db")
    parser.add_argument("--repeats", type=int, default=15)
    args = parser.parse_args()
    python = sys.executable
    rimqc = str(Path(python).with_name("rimqc"))
    pairs = {
        "rimqc --help": ([rimqc, "--help"], [python, "-c", "pass"], 3.0),
        "rimqc flags": ([rimqc, "--db", args.db, "flags"], [python, "-c", QUERY, args.db], 2.0),
    }
    for name, (ours, bound, limit) in pairs.items():
        times = [(took(ours), took(bound)) for _ in range(args.repeats)]
        one, other = (statistics.median(column) for column in zip(*times, strict=True))
        print(row(name, one, other, limit))


if __name__ == "__main__":
    main()
