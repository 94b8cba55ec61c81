"""Show what parts bore in impact tests, as multiples of the standard impact.

One line for all tests of a protocol and a model, then one a batch: how many survived the required
multiple and the standard, and what share that shows at least. Each test is an interval: survived up
to here, failed by there or not at all; `--tests` lists them. A share is shown of parts drawn at
random, and is no certification.
"""

import argparse
from typing import Any

EXAMPLE = "rimqc margins --protocol P40"

COLUMNS = {
    "protocol": "Protocol", "model": "Model", "required": "Required", "batch": "Batch",
    "at_required": "Required multiple, 95 % confidence", "at_standard": "Standard, 95 % confidence",
    "picked": "Chosen or reject",
}  # fmt: skip
TEST_COLUMNS = {
    "protocol": "Protocol", "model": "Model", "required_multiple": "Required", "batch": "Batch",
    "serial": "Serial", "test": "Test", "survived": "Survived", "failed": "Failed by",
    "first_damage": "First damage, drop", "drawn": "Drawn", "marks": "Marks",
}  # fmt: skip


def arguments(parser: argparse.ArgumentParser) -> None:
    for name in ("protocol", "model"):
        parser.add_argument(f"--{name}", help=f"only this {name}")
    parser.add_argument("--tests", action="store_true", help="list single tests, not statements")


def run(args: argparse.Namespace) -> int:
    from qc.commands.output import show
    from qc.ledger.ledger import Ledger
    from qc.views.margins import margin_statements, margins

    view = margins if args.format == "json" else margin_statements
    with Ledger(args.db) as ledger, ledger.reading() as connection:
        catalog = ledger.known(connection).catalog
        found = view(connection, catalog, protocol=args.protocol, model=args.model)
    rows = found
    if args.format != "json":
        rows = [row for group in found for row in (_tests if args.tests else _lines)(group)]
    columns = TEST_COLUMNS if args.tests else COLUMNS
    show(rows, args.format, columns, "No impact test is recorded.")
    return 0


def _tests(group: dict[str, Any]) -> list[dict[str, Any]]:
    heads = ("protocol", "model", "required_multiple")
    return [{name: group[name] for name in heads} | test for test in group["tests"]]


def _lines(group: dict[str, Any]) -> list[dict[str, Any]]:
    """The group, then its batches."""
    whole = {"batch": "all", "statements": group["statements"], "picked": None}
    return [
        {
            "protocol": group["protocol"],
            "model": group["model"],
            "required": group["required_multiple"],
            "batch": row["batch"],
            "at_required": row["statements"][0]["brief"],
            "at_standard": row["statements"][1]["brief"],
            "picked": row["picked"]
            and f"{row['picked']['survived']} of {row['picked']['tests']} survived the required",
        }
        for row in (whole, *group["batches"])
    ]
