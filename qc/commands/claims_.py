"""Compare claimed with measured bare mass, per model and stage.

The supported claim is the lowest one that 95 % of future parts would keep, within the claim's
tolerance, with 95 % confidence; there is none below six batches.
"""

import argparse

EXAMPLE = "rimqc claims --format csv"

COLUMNS = {
    "model": "Model", "stage": "Stage", "claimed_g": "Claimed, g", "n": "Parts",
    "batches": "Batches", "mean_g": "Mean, g", "sd_g": "Spread, g", "least_g": "Least, g",
    "most_g": "Most, g", "over_share": "Share over", "outside_share": "Share outside",
    "supported_claim_g": "Supported, g",
}  # fmt: skip


def arguments(parser: argparse.ArgumentParser) -> None:
    """None of its own."""


def run(args: argparse.Namespace) -> int:
    from qc.commands.output import show
    from qc.ledger.ledger import Ledger
    from qc.views.claims import claims

    with Ledger(args.db) as ledger, ledger.reading() as connection:
        rows = claims(connection, ledger.known(connection).catalog)
    show(rows, args.format, COLUMNS, "There is no claim and no measured part yet.")
    return 0
