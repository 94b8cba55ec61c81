"""Write the records, their seals and the accounts to one file, whatever is written meanwhile.

What follows from the records is derived again by `rimqc restore`, on either kind of database.
"""

import argparse
from pathlib import Path

EXAMPLE = "rimqc backup rims-2026-11-25.rimqc.gz"


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE", type=Path)
    parser.add_argument("--force", action="store_true", help="replace a file that is there")


def run(args: argparse.Namespace) -> int:
    from qc.commands.output import print_json
    from qc.errors import RimqcError
    from qc.ledger.backup import backup
    from qc.ledger.ledger import Ledger
    from qc.people.tables import KEPT

    if args.file.exists() and not args.force:
        raise RimqcError(f"{args.file} is there already; choose another name, or give --force", 2)
    with Ledger(args.db) as ledger:
        kept = backup(ledger, args.file, KEPT)
    if args.format == "json":
        print_json(kept._asdict())
    else:
        print(f"{args.file}: {kept.records} records; note its last seal elsewhere:")
        print(kept.seal_digest)
    return 0
