"""Every target in turn, and a table of what was tried: inputs, edges, findings, memory.

    pip install atheris
    nice -n 15 python -m tests.fuzz.campaign --runs 100000 --seconds 600 --findings FOLDER

Each target runs as a process of its own (`fuzz.py`), so that one which dies does not end the
others, and its memory is its own. Ends with 1 where something was found; what broke a promise
lies in the folder of findings, named by its target. An edge is a way through a line of Python.
"""

import argparse
import re
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

from tests.fuzz.fuzz import NAMES


class Tried(NamedTuple):
    """One target's run."""

    inputs: int
    edges: int  # reached by the corpus alone
    new_edges: int
    findings: int
    memory_mb: int


def told(output: str, findings: int) -> Tried:
    """The figures in libFuzzer's own words."""

    def number(pattern: str) -> int:
        found = re.findall(pattern, output)
        return int(found[-1]) if found else 0

    begun = number(r"INITED cov: (\d+)")
    return Tried(
        number(r"stat::number_of_executed_units: *(\d+)") or number(r"(?m)^#(\d+)\t"),
        begun,
        max(0, number(r"(?m)^#\d+\t.* cov: (\d+)") - begun),
        findings,
        number(r"stat::peak_rss_mb: *(\d+)") or number(r"rss: (\d+)Mb"),
    )


def tried(target: str, runs: int, seconds: int, folder: Path) -> Tried:
    """One target, until something is found or the runs or seconds are over."""
    before = set(folder.iterdir())
    command = [sys.executable, "-m", "tests.fuzz.fuzz", target, "--runs", f"{runs}",
               "--seconds", f"{seconds}", "--findings", f"{folder / target}-"]  # fmt: skip
    with tempfile.TemporaryFile("w+", errors="replace") as said:
        code = subprocess.run(command, stdout=said, stderr=said, check=False).returncode
        said.seek(0)
        output = said.read()
    found = len(set(folder.iterdir()) - before)
    if code:
        (folder / f"{target}.txt").write_text(output[-20_000:])
    return told(output, found or bool(code))


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("targets", nargs="*", help="all of them where none is named")
    parser.add_argument("--runs", type=int, default=100_000, help="inputs a target")
    parser.add_argument("--seconds", type=int, default=600, help="at most, a target")
    parser.add_argument("--findings", type=Path, default=Path("findings"))
    args = parser.parse_args()
    args.findings.mkdir(exist_ok=True, parents=True)
    print(f"{'target':12}{'inputs':>12}{'edges':>8}{'new':>6}{'findings':>10}{'MB':>6}")
    rows = []
    for target in args.targets or NAMES:
        rows.append(tried(target, args.runs, args.seconds, args.findings))
        one = rows[-1]
        print(f"{target:12}{one.inputs:12,}{one.edges:8,}{one.new_edges:6,}{one.findings:10,}"
              f"{one.memory_mb:6,}", flush=True)  # fmt: skip
    found = sum(one.findings for one in rows)
    print(f"{'all':12}{sum(one.inputs for one in rows):12,}{'':14}{found:10,}"
          f"{max(one.memory_mb for one in rows):6,}")  # fmt: skip
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
