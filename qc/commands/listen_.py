"""Read a scale or an indicator on a serial port, as the catalog's [[readout]] says it speaks.

With --to, the value is offered to the screen of the server; with --log, it is written to a file as
JSON Lines; with neither, it is shown here, to try a pattern out. An unplugged port is waited for.

The catalog says how a gauge speaks; the pattern describes a whole line:

  [[readout]]
  gauge = "SC-1"
  pattern = '(?P<value>[ +-]*[0-9.]+) *(?P<unit>[a-z]+)(?P<stable> ok)?'
  unit = "g"
  baud = 9600

and where the gauge needs them stable_mark, bits, parity, stop_bits, and request (what is sent to
ask for a value, such as 'V\\r\\n').
"""

import argparse
import threading
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

from qc.commands.send_ import link_arguments, link_of, say

if TYPE_CHECKING:
    from qc.devices.link import Link
    from qc.devices.readings import Take
    from qc.devices.readout import Reading, Spoken

EXAMPLE = (
    "rimqc listen --gauge SC-1 --port /dev/ttyUSB0 --to https://shop.local:8501 --token-file token"
)


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--gauge", metavar="CODE", required=True, help="the gauge's code")
    parser.add_argument("--port", help="the serial port (default: the only one of this machine)")
    parser.add_argument("--log", metavar="FILE", type=Path, help="write the readings to this file")
    link_arguments(parser, required=False)


def run(args: argparse.Namespace) -> int:
    from qc.devices.readings import Offers, changes, hand_on, log_to
    from qc.devices.readout import line_reader
    from qc.devices.serial_port import lines, only_port
    from qc.errors import RimqcError

    if args.to and args.log:
        raise RimqcError("name --to or --log, not both", 2)
    port = args.port or only_port()
    stop = threading.Event()
    with ExitStack() as stack:
        if args.to:
            link = link_of(args)
            spoken = _from_server(link, args.gauge, stop)
            offers = stack.enter_context(Offers(link, say, stop))
            take: Take = offers.take
        else:
            offers = None
            spoken = _from_database(args.db, args.gauge)
            take = changes(log_to(args.log) if args.log else _shown(args.format))
        asks = f", asked by {spoken.readout.request!r}" if spoken.readout.request else ""
        say(f"listening to {args.gauge} on {port} at {spoken.readout.baud} baud{asks}")
        read = line_reader(spoken.readout, spoken.gauge)
        hand_on(lines(port, spoken.readout, say, stop), read, take, say)
    if offers is not None and offers.fault is not None:
        raise offers.fault
    return 0


def _from_database(db: str, code: str) -> "Spoken":
    from qc.devices.readout import spoken
    from qc.ledger.ledger import Ledger

    with Ledger(db) as ledger:
        return spoken(ledger.catalog(), code)


def _from_server(link: "Link", code: str, stop: threading.Event) -> "Spoken":
    """The readout as the server's catalog has it: a bench needs no database."""
    from urllib.parse import quote

    import msgspec

    from qc.devices.link import answered
    from qc.devices.readout import Spoken
    from qc.errors import RimqcError

    answer = answered(link, "GET", f"/station/readout?gauge={quote(code)}", say=say, stop=stop)
    try:
        return msgspec.json.decode(answer.body, type=Spoken)
    except (msgspec.DecodeError, msgspec.ValidationError):
        said = answer.error or f"no rimqc server answers there ({answer.status}); mend --to"
        raise RimqcError(f"{link.url}: {said}") from None


def _shown(form: str) -> "Take":
    import msgspec

    encode = msgspec.json.Encoder(decimal_format="number").encode
    words = {True: ", stable", False: ", not stable yet", None: ""}

    def take(reading: "Reading") -> None:
        if form == "json":
            print(encode(reading).decode(), flush=True)
        else:
            print(f"{reading.value} {reading.unit}{words[reading.stable]}", flush=True)

    return take
