"""List what needs attention: open flags, the worst first; closed ones too with --all."""

import argparse

EXAMPLE = "rimqc flags --severity critical"

COLUMNS = {
    "severity": "Severity", "flag": "Flag", "serial": "Serial", "batch": "Batch",
    "gauge": "Gauge", "stage": "Stage", "raised_at": "Since", "state": "State",
    "message": "What",
}  # fmt: skip


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--all", action="store_true", help="closed ones too")
    for name in ("severity", "flag", "serial", "batch", "gauge", "model", "stage"):
        parser.add_argument(f"--{name}", help=f"only this {name}")


def run(args: argparse.Namespace) -> int:
    from qc.commands.output import show
    from qc.ledger.ledger import Ledger
    from qc.views.flags import flags

    only = {n: getattr(args, n) for n in ("severity", "flag", "serial", "batch", "gauge",
                                          "model", "stage")}  # fmt: skip
    with Ledger(args.db) as ledger, ledger.reading() as connection:
        rows = flags(connection, everything=args.all, **only)
    show(rows, args.format, COLUMNS, "Nothing is flagged.")
    return 0
