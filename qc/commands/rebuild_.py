"""Derive all answers from the journal anew; they are those from before, or something was wrong."""

import argparse

EXAMPLE = "rimqc rebuild"


def arguments(parser: argparse.ArgumentParser) -> None:
    """None of its own."""


def run(args: argparse.Namespace) -> int:
    from qc.commands.output import print_csv, print_json
    from qc.ledger.ledger import Ledger
    from qc.ledger.rebuild import rebuild

    with Ledger(args.db) as ledger, ledger.writing() as connection:
        records = rebuild(connection)
    if args.format == "json":
        print_json({"records": records})
    elif args.format == "csv":
        print_csv([{"records": records}])
    else:
        print(f"Derived everything anew from {records} records.")
    return 0
