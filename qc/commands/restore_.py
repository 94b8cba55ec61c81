"""Fill an empty database from a backup, derive what follows, and prove that nothing was changed."""

import argparse
from pathlib import Path

EXAMPLE = "rimqc restore rims-2026-11-25.rimqc.gz --db sqlite:///again.sqlite"


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE", type=Path)
    parser.add_argument("--seal", metavar="DIGEST", help="the last seal as noted elsewhere")


def run(args: argparse.Namespace) -> int:
    from qc.commands.output import print_json
    from qc.errors import RimqcError
    from qc.ledger.backup import restore
    from qc.ledger.ledger import Ledger
    from qc.people.tables import KEPT

    if not args.file.is_file():
        raise RimqcError(f"there is no file {args.file}", 2)
    with Ledger(args.db, create=True) as ledger:
        kept = restore(ledger, args.file, KEPT, args.seal)
    if args.format == "json":
        print_json(kept._asdict())
    else:
        print(f"{kept.records} records restored; all seals hold.")
    return 0
