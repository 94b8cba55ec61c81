"""Inputs made by coverage, against one target: it ends at the first broken promise.

    pip install atheris
    nice -n 10 python -m tests.fuzz.fuzz station --runs 200000

The input that broke it is written to the current folder as `crash-…`; put a small one into
`corpus/TARGET` once it is mended. `--list` names the targets. atheris is no dependency of the
project: it is asked for here only.
"""

import argparse
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
NAMES = (
    "table",
    "lines",
    "packed",
    "catalog",
    "station",
    "mending",
    "readout",
    "note",
    "paper",
    "entry",
    "posted",
)
# a megabyte in a second is slow, two seconds for a few kilobytes is a fault
SECONDS, MEMORY_MB = 10, 1500


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("target", choices=NAMES)
    parser.add_argument("--runs", type=int, default=100_000)
    parser.add_argument("--seconds", type=int, default=0, help="at most; 0: no limit")
    parser.add_argument("--most", type=int, default=4096, help="bytes of an input")
    parser.add_argument("--keep", type=Path, help="a folder for what reached something new")
    parser.add_argument("--findings", default="", help="what names of findings begin with")
    args = parser.parse_args()
    try:
        import atheris
    except ImportError:
        sys.exit("atheris is missing: pip install atheris")
    with atheris.instrument_imports(include=["qc", "pypdf"]):
        import pypdf

        from tests.fuzz import targets, with_database
    assert pypdf
    every = targets.TARGETS | with_database.TARGETS
    keep = args.keep or Path(tempfile.mkdtemp(prefix="rimqc-fuzz-kept-"))
    keep.mkdir(exist_ok=True, parents=True)
    words = [
        sys.argv[0], str(keep), str(HERE / "corpus" / args.target), f"-runs={args.runs}",
        f"-max_len={args.most}", f"-timeout={SECONDS}", f"-rss_limit_mb={MEMORY_MB}",
        f"-dict={HERE / 'words.dict'}", f"-max_total_time={args.seconds}", "-print_final_stats=1",
        "-len_control=20", f"-artifact_prefix={args.findings}",
    ]  # fmt: skip
    atheris.Setup(words, every[args.target])
    atheris.Fuzz()


if __name__ == "__main__":
    main()
