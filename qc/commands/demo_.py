"""Show the program on the logs of an invented maker: import, what was found, the dashboard.

Serves on 127.0.0.1 without sign-in, for looking around; with --once it ends after the findings.
"""

import argparse

EXAMPLE = "rimqc demo --once"
DEMO_DB = "sqlite:///rimqc-demo.sqlite"


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--once", action="store_true", help="end after the findings")
    parser.add_argument("--port", type=int, default=8501, help="default 8501")


def run(args: argparse.Namespace) -> int:
    import os

    from qc.commands import DEFAULT_DB
    from qc.commands.intake import import_files
    from qc.commands.output import print_json
    from qc.ledger.ledger import Ledger
    from qc.resources import folder
    from qc.views.flags import flags

    own = args.db == DEFAULT_DB and "RIMQC_DB" not in os.environ
    db = DEMO_DB if own else args.db
    report, found = import_files(db, [folder("sample_logs")], None)
    with Ledger(db) as ledger, ledger.reading() as connection:
        worst = flags(connection, most=3)
    if args.format == "json":
        print_json(found | {"worst": worst, "refused": report.refused})
    else:
        _tell(db, found, worst)
    if args.once:
        return 0
    from qc.stations.here import VISITOR
    from qc.stations.server import Place, serve

    return serve(db, Place(port=args.port), anyone=VISITOR)


def _tell(db: str, found: dict[str, object], worst: list[dict[str, object]]) -> None:
    print(f"An invented maker's half year, kept in {db}:")
    print(f"  {found['parts']} parts, {found['records']} records")
    flags = found["flags"]
    assert isinstance(flags, dict)
    for flag, count in sorted(flags.items(), key=lambda item: (-item[1], item[0])):
        print(f"  {count:4} {flag}")
    print("The three worst findings:")
    for flag in worst:
        subject = flag.get("serial") or flag.get("batch") or flag.get("gauge")
        print(f"  {flag['severity']}: {subject}. {flag['message']}")
