"""Open the dashboard in a browser on this machine."""

import argparse

EXAMPLE = "rimqc serve --port 8501"


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--port", type=int, default=8501, help="default 8501")


def run(args: argparse.Namespace) -> int:
    from qc.commands.dashboard import serve
    from qc.ledger.ledger import Ledger

    with Ledger(args.db, create=True):
        pass
    return serve(args.db, args.port)
