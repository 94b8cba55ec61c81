"""Prove that no record was changed, removed, added or moved since it was taken in.

With --seal, also prove that the journal still contains a seal that was noted elsewhere.
With --certificate, also tell whether the record of a part, as printed, is what this database stated
under the seal it names, and what has changed since. Give the text that its code reads, or the PDF,
whose words are then compared too.
"""

import argparse
from pathlib import Path
from typing import Any

EXAMPLE = "rimqc verify\n         rimqc verify --certificate record-of-part_D50-B07-003.pdf"


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--seal", metavar="DIGEST", help="a seal's digest noted elsewhere")
    parser.add_argument(
        "--certificate", metavar="TEXT|FILE.pdf", help="the printed record of a part"
    )


def run(args: argparse.Namespace) -> int:
    from qc.commands.output import print_csv, print_json
    from qc.ledger.clock import set_back
    from qc.ledger.ledger import Ledger
    from qc.ledger.verify import verify
    from qc.views.plain import moment

    with Ledger(args.db) as ledger, ledger.reading() as connection:
        proof = verify(connection, args.seal)
        clock = set_back(connection) if proof.first_bad is None else []
        paper = None
        if args.certificate is not None:
            from qc.reports.noted import check

            found = check(connection, ledger.known(connection).catalog, *_read(args.certificate))
            paper = found
    answer: dict[str, Any] = {"records": proof.records, "ok": proof.first_bad is None}
    if proof.first_bad is not None:
        answer["first_bad"] = proof.first_bad
    if clock:
        answer["clock_set_back"] = [
            {"seal": one.seal, "from": moment(one.before), "to": moment(one.at)} for one in clock
        ]
    if args.format == "json":
        print_json(answer | ({"certificate": paper} if paper else {}))
    elif args.format == "csv":
        print_csv([answer])
    elif proof.first_bad is None:
        print(f"{proof.records} records: all as they were taken in.")
    else:
        print(f"Not as it was taken in: {proof.first_bad} (after {proof.records} records).")
    if args.format == "table":
        for one in clock:
            print(f"Before seal {one.seal} the clock was set back from {moment(one.before)} to")
            print(f"{moment(one.at)}: the days on which things were recorded then follow it.")
        if paper:
            _tell(paper)
    holds = paper is None or paper["outcome"] == "unchanged"
    return 0 if proof.first_bad is None and holds else 1


def _read(given: str) -> tuple[Any, str | None]:
    """The note on a paper, and all its words where they are at hand."""
    from qc.errors import RimqcError
    from qc.reports.noted import read_note
    from qc.reports.part import read

    if given.startswith("rimqc "):
        return read_note(given), None
    file = Path(given)
    if not file.is_file():
        raise RimqcError(
            f"--certificate {given[:80]!r}: neither a file nor the text of a code, which begins "
            "with `rimqc 1 `",
            2,
        )
    note, words = read(file)
    return read_note(note), words


def _tell(paper: dict[str, Any]) -> None:
    """What the check found, and every row as it was stated, to hold beside the paper."""
    from qc.commands.output import tell

    heads = {
        "unchanged": "unchanged",
        "changed-since": "CHANGED SINCE",
        "altered": "ALTERED",
        "not-ours": "NOT OURS",
    }
    tell(f"Record of part {paper['serial']}: {heads[paper['outcome']]}. {paper['says']}")
    for change in paper["changes"]:
        said = (", ".join(change[name] or ["nothing"]) for name in ("stated", "now"))
        stated, now = said
        since = f"; now {now}" if "now" in change else ""
        tell(f"  {change['what']}: stated {stated}{since}")
    if paper.get("may_leave") is False:
        print("  The part may not leave.")
    if rows := paper.get("stated"):
        print("This is what the paper must say:")
        for row in rows:
            tell("  " + " | ".join(row))
