"""Show what parts bore in impact tests, as multiples of the standard impact.

Each test is an interval: survived up to here, failed by there or not at all.
"""

import argparse

EXAMPLE = "rimqc margins --protocol P40"

COLUMNS = {
    "protocol": "Protocol", "model": "Model", "required_multiple": "Required", "batch": "Batch",
    "serial": "Serial", "test": "Test", "survived": "Survived", "failed": "Failed by",
    "first_damage": "First damage, drop", "marks": "Marks",
}  # fmt: skip


def arguments(parser: argparse.ArgumentParser) -> None:
    for name in ("protocol", "model"):
        parser.add_argument(f"--{name}", help=f"only this {name}")


def run(args: argparse.Namespace) -> int:
    from qc.commands.output import show
    from qc.ledger.ledger import Ledger
    from qc.views.margins import margins

    with Ledger(args.db) as ledger, ledger.reading() as connection:
        found = margins(
            connection, ledger.known(connection).catalog, protocol=args.protocol, model=args.model
        )
    if args.format == "json":
        rows = found
    else:
        heads = ("protocol", "model", "required_multiple")
        rows = [{name: g[name] for name in heads} | test for g in found for test in g["tests"]]
    show(rows, args.format, COLUMNS, "No impact test is recorded.")
    return 0
