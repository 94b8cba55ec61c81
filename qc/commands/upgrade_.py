"""Bring a database up to this program's schema, or set up an empty one."""

import argparse

EXAMPLE = "rimqc upgrade --db postgresql+psycopg://user@host/rims"


def arguments(parser: argparse.ArgumentParser) -> None:
    """None of its own."""


def run(args: argparse.Namespace) -> int:
    from qc.commands.output import print_csv, print_json
    from qc.ledger.engine import read_url
    from qc.ledger.migrate import upgrade

    revision = upgrade(read_url(args.db))
    if args.format == "json":
        print_json({"schema": revision})
    elif args.format == "csv":
        print_csv([{"schema": revision}])
    else:
        print(f"The database is at schema {revision}.")
    return 0
