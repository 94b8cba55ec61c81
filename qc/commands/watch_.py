"""Take in logs as rigs drop them into a folder, and move each aside.

A log goes to `done` in that folder, or to `refused` with the reasons and the refused lines beside
it; its good lines are kept. A log is taken once it has been left alone for --settle seconds and no
program has it open. Sub-folders are kept, so every rig may have its own. Photos that findings name
lie beside their log: they are kept beside the database and move with it. A log waits for none.
"""

import argparse
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from qc.commands.send_ import say

if TYPE_CHECKING:
    from qc.devices.watching import Taken

EXAMPLE = "rimqc watch /srv/rigs --settle 30"


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder", metavar="FOLDER", type=Path, help="where rigs drop their logs")
    parser.add_argument(
        "--settle", metavar="SECONDS", type=float, default=5.0,
        help="how long a log must be left alone (default 5); more than the pause between two "
        "lines of a rig that adds to its log",
    )  # fmt: skip
    parser.add_argument("--once", action="store_true", help="take what is there, then end")


def run(args: argparse.Namespace) -> int:
    from qc.devices.watching import Watch
    from qc.ledger.ledger import Ledger

    refused = 0

    def taken(log: "Taken") -> None:
        nonlocal refused
        refused += log.refused
        _print(log, args.format)

    with (
        Ledger(args.db, create=True) as ledger,
        Watch(ledger, args.folder, taken, say, settle_s=args.settle) as watch,
    ):
        if args.once:
            watch.look()
            time.sleep(args.settle)
            watch.look()
            for path in watch.waiting:
                say(f"{path}: left where it is: still written, empty, or not readable")
            return 1 if refused or watch.waiting or watch.faults else 0
        say(f"watching {args.folder} (stop with Ctrl-C)")
        for _ in _wake_ups(args.folder, say):
            watch.look()
    return 0


def _wake_ups(folder: Path, say: Callable[[str], None]) -> Iterator[None]:
    """When something happens in the folder, and now and then in any case."""
    import watchfiles

    from qc.devices.watching import LOOK_S

    told = False
    while True:
        yield
        try:
            for _ in watchfiles.watch(
                folder, watch_filter=None, rust_timeout=int(LOOK_S * 1000), yield_on_timeout=True,
                ignore_permission_denied=True,
            ):  # fmt: skip
                yield
        except (OSError, RuntimeError) as fault:  # no more watches, or the folder is gone
            if not told:
                say(f"changes in {folder} are not told of ({fault}); it is looked at regularly")
            told = True
            time.sleep(LOOK_S)


def _print(log: "Taken", form: str) -> None:
    if form == "json":
        import msgspec

        print(msgspec.json.encode(log).decode(), flush=True)
        return
    from qc.commands.output import tell

    tell(
        f"{log.file}: {log.accepted} accepted, {log.already_held} already held, "
        f"{log.refused} refused; now {log.moved_to}"
    )
    for name, why in log.photo_faults.items():
        say(f"{log.file}: photo {name} is not kept: {why}")
