"""Take in logs and the catalog: files and whole folders, again as often as you like.

Good lines are kept, bad ones are refused one by one and written out as files to be mended.
"""

import argparse
from pathlib import Path

EXAMPLE = "rimqc import station_logs/ catalog.toml"


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("paths", metavar="PATH", nargs="+", type=Path, help="a file or folder")
    parser.add_argument("--dry-run", action="store_true", help="read and judge, store nothing")
    parser.add_argument(
        "--refused", metavar="FOLDER", type=Path,
        help="where refused lines are written (default: `refused` beside the database)",
    )  # fmt: skip


def run(args: argparse.Namespace) -> int:
    from qc.commands.intake import import_files, print_report

    report, found = import_files(args.db, args.paths, args.refused, dry_run=args.dry_run)
    print_report(report, args.format, found if args.dry_run else None)
    return 1 if report.refused else 0
