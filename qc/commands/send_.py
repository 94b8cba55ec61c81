"""Send logs to the server of the shop, or records from a rig's program as they come.

Records are kept in a spool on disk first, then sent in order and tried again after any cut, until
the server has each once. `-` reads JSON Lines from standard input. Without a file, what an earlier
run left in the spool is sent. Sending the same log again is safe: it counts as already held.
"""

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, cast

if TYPE_CHECKING:
    from io import BufferedReader

    from qc.devices.link import Link
    from qc.devices.sending import Sender
    from qc.devices.spool import Spool

_TO = "--to https://shop.local:8501 --token-file token"
EXAMPLE = f"rimqc send weighing_today.csv {_TO}\n         rig-program | rimqc send - {_TO}"

SHOWN = 20
READ_BYTES = 65536


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("files", metavar="FILE", nargs="*", help="a log, or - for standard input")
    link_arguments(parser, required=True)
    parser.add_argument(
        "--spool", metavar="DIR", type=Path, default=Path("rimqc-spool"),
        help="where records wait until the server has them (default: rimqc-spool)",
    )  # fmt: skip
    parser.add_argument(
        "--wait", metavar="SECONDS", type=float,
        help="end after so long without the server; what is left waits in the spool",
    )  # fmt: skip


def link_arguments(parser: argparse.ArgumentParser, *, required: bool) -> None:
    """How a bench finds its server."""
    parser.add_argument(
        "--to", metavar="URL", required=required, help="the server: https://host:port"
    )
    parser.add_argument(
        "--token-file", metavar="FILE", type=Path, required=required,
        help="the station's token, as `rimqc station add` printed it",
    )  # fmt: skip
    parser.add_argument(
        "--ca", metavar="FILE", type=Path,
        help="the certificate to trust, where the shop made its own",
    )  # fmt: skip
    parser.add_argument(
        "--timeout", metavar="SECONDS", type=float, default=30.0,
        help="how long an answer is waited for before asking again (default 30)",
    )  # fmt: skip


def run(args: argparse.Namespace) -> int:
    import msgspec

    from qc.commands.output import print_csv, print_json
    from qc.devices.sending import Sender
    from qc.devices.spool import Spool
    from qc.errors import RimqcError

    link = link_of(args)
    try:
        spool = Spool(args.spool)
        with Sender(spool, link, say) as sender:
            unreadable = sum(_take(name, sender, spool, args.format) for name in args.files)
            sent = sender.finish(args.wait)
        waiting = spool.records_waiting()
    except OSError as fault:
        where = fault.filename or args.spool
        raise RimqcError(
            f"{where}: {fault.strerror}; make room, or name another folder with --spool"
        ) from None
    sent.refused += unreadable
    if args.format == "json":
        print_json(msgspec.to_builtins(sent) | {"waiting": waiting})
    elif args.format == "csv":
        print_csv([msgspec.to_builtins(sent) | {"waiting": waiting}])
    else:
        where = f" (see {spool.refused})" if sent.refused else ""
        print(f"{sent.accepted} accepted, {sent.already_held} already held, "
              f"{sent.refused} refused{where}, {waiting} waiting.")  # fmt: skip
    return 1 if sent.refused or waiting else 0


def say(words: str) -> None:
    """What happens meanwhile, beside the answer."""
    from qc.commands.output import visible

    print(visible(f"rimqc: {words}"), file=sys.stderr, flush=True)


def link_of(args: argparse.Namespace) -> "Link":
    """The line that the arguments name; where the token can be read on its way, that is said."""
    from qc.devices.link import Link
    from qc.errors import RimqcError

    if args.token_file is None:
        raise RimqcError("--to needs --token-file: the file with this station's token", 2)
    link = Link(args.to, args.token_file, ca=args.ca, timeout_s=args.timeout)
    if link.unprotected:
        say(f"{link.url} is not protected: whoever is on this network can read the token; "
            "serve with TLS and write https")  # fmt: skip
    return link


def _take(name: str, sender: "Sender", spool: "Spool", form: str) -> int:
    """Keep a file's records, or those of standard input; returns how many lines are unreadable."""
    if name == "-":
        _take_input(cast("BufferedReader", sys.stdin.buffer), sender, told=form == "json")
        return 0
    from qc.devices.log_lines import log_lines
    from qc.errors import RimqcError
    from qc.readers.lines import open_log
    from qc.readers.refusal import FileError, Refusal, in_words
    from qc.readers.refused import RefusedLines, refused_paths
    from qc.records.kinds import KINDS

    path = Path(name)
    unreadable: list[Refusal] = []
    try:
        with open_log(path, kinds=KINDS) as log:
            sender.put(log_lines(log, unreadable))
            target = refused_paths([path], spool.refused).get(path)
            if target is not None:
                with RefusedLines(log, target) as out:
                    for refusal in unreadable:
                        out.add(refusal.raw, refusal.reason)
    except FileError as fault:
        raise RimqcError(str(fault), 2) from None
    for refusal in unreadable[:SHOWN]:
        say(f"{name}: {in_words(refusal._asdict())}")
    return len(unreadable)


def _take_input(source: "BufferedReader", sender: "Sender", *, told: bool) -> None:
    """Keep lines as they come, those that came together in one batch; say so when they are kept."""
    rest, kept = b"", 0
    while piece := source.read1(READ_BYTES):
        *lines, rest = (rest + piece).split(b"\n")
        kept += _keep(lines, sender)
        if lines and told:
            print(f'{{"kept": {kept}}}', flush=True)
    kept += _keep([rest], sender)


def _keep(lines: list[bytes], sender: "Sender") -> int:
    full = [text for line in lines if (text := line.strip())]
    sender.put(full)
    return len(full)
