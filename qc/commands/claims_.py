"""Compare claimed with measured bare mass, per model and stage.

The supported claim is the lowest one for which 95 % of parts to come stay at or below it plus its
tolerance, with 95 % confidence. The batch is the unit, however many parts it has; there is no such
claim below six batches, nor while the level moves. The answer says why.

It is no promise: it holds as long as parts are made as those batches were.

--at DAY gives the answer as it was known at the end of that day: records, corrections and gauge
checks by their `taken_at`, claims by their days. It costs a replay: every part is judged anew, so
a large shop waits as long as for `rimqc rebuild`. Nothing is written.
"""

import argparse
import datetime as dt

EXAMPLE = "rimqc claims --at 2026-08-15 --format json"

COLUMNS = {
    "model": "Model", "stage": "Stage", "claimed_g": "Claimed, g", "n": "Parts",
    "batches": "Batches", "mean_g": "Mean, g", "sd_g": "Spread, g", "least_g": "Least, g",
    "most_g": "Most, g", "over_share": "Share over", "outside_share": "Share outside",
    "supported_claim_g": "Supported, g",
}  # fmt: skip


def arguments(parser: argparse.ArgumentParser) -> None:
    """Its one option."""
    parser.add_argument(
        "--at", metavar="DAY", type=_day,
        help="as it was known at the end of this day (YYYY-MM-DD, the site's own); a replay",
    )  # fmt: skip


def _day(text: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"a day as YYYY-MM-DD is needed: {text!r}") from None


def run(args: argparse.Namespace) -> int:
    from qc.commands.output import show
    from qc.ledger.ledger import Ledger
    from qc.views.claims import claims

    with Ledger(args.db) as ledger, ledger.reading() as connection:
        rows = claims(connection, ledger.known(connection).catalog, args.at)
    show(rows, args.format, COLUMNS, "There is no claim and no measured part yet.")
    if args.format == "table":
        _explain(rows)
    return 0


def _explain(rows: list[dict[str, object]]) -> None:
    """Why each claim is supported or not, below the table."""
    from qc.commands.output import tell

    for row in rows:
        tell(f"{row['model']} {row['stage']}: {row['supported_reason']}")
