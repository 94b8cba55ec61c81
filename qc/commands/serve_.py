"""Serve the screens and the stations' routes, with sign-in in front of everything.

Without options it is for this machine only. For tablets and rigs of the shop give --host 0.0.0.0
and a certificate; --tls-local makes one, and says which file to give to the devices.

With --oidc people also sign in with an OpenID Connect provider of the shop. FILE is TOML:

  issuer = "https://login.example.org"
  client_id = "rimqc"
  client_secret_file = "secret"     # beside FILE; or client_secret_env = "NAME"
  claim = "email"                   # links accounts: sub (default), a verified email, another
  name = "the company account"      # what people call it

Register https://NAME:PORT/sign-in/provider/back there as the address to lead back to. Nobody gets
an account by it: `rimqc person link CODE NAME` says which of its people an account is.
"""

import argparse
import os
from pathlib import Path

EXAMPLE = "rimqc serve --host 0.0.0.0 --tls-local qc.shop.local"


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--host", default="127.0.0.1", help="address to listen on (this machine)")
    parser.add_argument("--port", type=int, default=8501, help="default 8501")
    parser.add_argument("--stations", metavar="PORT", type=int,
                        help="a second port for rigs' records, in a process of its own; "
                             "what a scale shows the screen goes to the first")  # fmt: skip
    parser.add_argument("--oidc", metavar="FILE", type=Path,
                        help="sign in with an OpenID Connect provider too")  # fmt: skip
    parser.add_argument("--read-db", metavar="URL", default=os.environ.get("RIMQC_READ_DB"),
                        help="a replica of a PostgreSQL database that screens read from "
                             "(default: RIMQC_READ_DB)")  # fmt: skip
    tls = parser.add_argument_group("for a network")
    tls.add_argument("--tls-cert", metavar="FILE", type=Path, help="certificate chain (PEM)")
    tls.add_argument("--tls-key", metavar="FILE", type=Path, help="its private key (PEM)")
    tls.add_argument("--tls-local", metavar="NAME", nargs="+",
                     help="make a certificate for these host names or addresses")  # fmt: skip
    tls.add_argument("--behind-proxy", metavar="ORIGIN",
                     help="what people type to reach the proxy in front, https://name")  # fmt: skip
    tls.add_argument("--proxy-address", metavar="ADDRESS", default="127.0.0.1",
                     help="where that proxy comes from (default 127.0.0.1)")  # fmt: skip


def run(args: argparse.Namespace) -> int:
    from qc.errors import RimqcError
    from qc.people.provider import read_provider
    from qc.stations.server import Place, serve

    cert, key = args.tls_cert, args.tls_key
    if args.tls_local:
        if cert or key:
            raise RimqcError("give --tls-local or --tls-cert, not both", 2)
        cert, key = _made(args.db, args.tls_local)
    origin = args.behind_proxy and args.behind_proxy.rstrip("/").lower()
    place = Place(args.host, args.port, cert, key, origin, args.proxy_address)
    provider = read_provider(args.oidc) if args.oidc else None
    return serve(args.db, place, stations=args.stations, provider=provider, replica=args.read_db)


def _made(db: str, names: list[str]) -> tuple[Path, Path]:
    from qc.ledger.engine import read_url, sqlite_file
    from qc.ledger.ledger import now
    from qc.stations.local_tls import local_certificate

    beside = sqlite_file(read_url(db)) or Path("rimqc.sqlite")
    files = local_certificate(beside.with_name(f"{beside.stem}_tls"), names, now())
    print(f"Give {files.authority} to tablets and rigs, as an authority they trust.", flush=True)
    return files.cert, files.key
