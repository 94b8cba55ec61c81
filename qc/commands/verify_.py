"""Prove that no record was changed, removed, added or moved since it was taken in.

With --seal, also prove that the journal still contains a seal that was noted elsewhere.
"""

import argparse

EXAMPLE = "rimqc verify"


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--seal", metavar="DIGEST", help="a seal's digest noted elsewhere")


def run(args: argparse.Namespace) -> int:
    from qc.commands.output import print_csv, print_json
    from qc.ledger.ledger import Ledger
    from qc.ledger.verify import verify

    with Ledger(args.db) as ledger, ledger.reading() as connection:
        proof = verify(connection, args.seal)
    answer: dict[str, object] = {"records": proof.records, "ok": proof.first_bad is None}
    if proof.first_bad is not None:
        answer["first_bad"] = proof.first_bad
    if args.format == "json":
        print_json(answer)
    elif args.format == "csv":
        print_csv([answer])
    elif proof.first_bad is None:
        print(f"{proof.records} records: all as they were taken in.")
    else:
        print(f"Not as it was taken in: {proof.first_bad} (after {proof.records} records).")
    return 0 if proof.first_bad is None else 1
