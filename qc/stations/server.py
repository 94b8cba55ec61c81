"""Serving: the screens and the stations' routes under our own uvicorn call, behind one gate."""

import errno
import gc
import ipaddress
import os
import signal
import socket
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import urlsplit

from qc.errors import RimqcError
from qc.ledger.clock import behind
from qc.ledger.ledger import now
from qc.ledger.replica import NAME, check_replica
from qc.people.accounts import first_owner_code
from qc.people.provider import Provider
from qc.people.who import Person
from qc.stations.here import Here, close, opened
from qc.stations.sign_in import BY_CODE

HOST = "127.0.0.1"
MOST_SAID = 2 * 2**20


class Place(NamedTuple):
    """Where a server listens and how people come to it.

    `origin` is what a proxy in front shows to people, `proxy` the address it comes from.
    """

    host: str = HOST
    port: int = 8501
    cert: Path | None = None
    key: Path | None = None
    origin: str | None = None
    proxy: str = HOST

    @property
    def secure(self) -> bool:
        """Whether people come by TLS."""
        return self.cert is not None or (self.origin or "").startswith("https://")

    def address(self) -> str:
        """What people type to come here."""
        if self.origin:
            return self.origin
        everywhere = self.host in ("0.0.0.0", "::")  # noqa: S104 - compared, not bound
        name = socket.gethostname() if everywhere else self.host
        name = f"[{name}]" if ":" in name else name
        return f"{'https' if self.cert else 'http'}://{name}:{self.port}"

    def gate(self) -> dict[str, Any]:
        """What the gate must know: an address of this machine only goes by few names."""
        here_only = frozenset({HOST, "localhost", "::1"}) if _loopback(self.host) else None
        hosts = None if self.origin else here_only
        return {"secure": self.secure, "hosts": hosts, "origin": self.origin}


def serve(
    db: str, place: Place, *, anyone: Person | None = None, stations: int | None = None,
    provider: Provider | None = None, replica: str | None = None,
) -> int:  # fmt: skip
    """Serve until interrupted; port 0 takes a free one.

    With `anyone` nobody signs in and everybody is that person, on this machine only. `stations` is
    the port of a second listener, in a process of its own, for the stations' routes; a `provider`
    vouches for people beside their passwords; a `replica` is what screens read from. RimqcError
    where a port is taken or no port, or what is served would be open to the network.
    """
    check_safe(place, anyone)
    listener = _listen(place.host, place.port)
    place = place._replace(port=listener.getsockname()[1])
    # they may hold a password, and the stations' process would inherit it
    for name in ("RIMQC_DB", NAME):
        os.environ.pop(name, None)
    try:
        beside = None if stations is None else _listen(place.host, stations, "--stations")
        here = opened(db, anyone, provider)
        if replica:
            check_replica(here.ledger, replica)
        with _stations_beside(db, place, beside):
            os.environ |= {"RIMQC_DB": db, NAME: replica or ""}  # screens open them themselves
            _tell(here, place, beside)
            from qc.stations.screens import application

            _run(application(here, place.host, place.port, **place.gate()), place, listener)
    finally:
        listener.close()
        close()
    return 0


def check_safe(place: Place, anyone: Person | None) -> None:
    """RimqcError where passwords would travel readable, or a server without sign-in be open."""
    if anyone is not None and not _loopback(place.host):
        raise RimqcError("without sign-in it is served on this machine only: leave --host out", 2)
    if place.origin is not None:
        parts = urlsplit(place.origin)
        whole = (
            parts.scheme in ("http", "https") and parts.netloc and not (parts.path + parts.query)
        )
        if not whole:
            raise RimqcError(
                f"--behind-proxy {place.origin!r}: write what people type, https://name", 2
            )
        if parts.scheme != "https" and not _loopback(parts.hostname or ""):
            raise RimqcError("--behind-proxy: passwords need https:// between people and proxy", 2)
    elif not _loopback(place.host) and place.cert is None:
        raise RimqcError(
            f"--host {place.host} is open to the network, where passwords need TLS: give "
            "--tls-cert and --tls-key, or --tls-local NAME, or --behind-proxy https://name",
            2,
        )
    if (place.cert is None) != (place.key is None):
        raise RimqcError("--tls-cert and --tls-key go together", 2)
    if place.cert is not None:
        _check_certificate(place.cert, place.key)


def _check_certificate(cert: Path, key: Path | None) -> None:
    import ssl

    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(cert, key, password=lambda: "")
    except (OSError, ValueError) as fault:  # ssl's own errors are OSErrors
        reason = getattr(fault, "strerror", None) or getattr(fault, "reason", None) or fault
        raise RimqcError(f"--tls-cert {cert} with its key cannot be used: {reason}", 2) from None


def _loopback(host: str) -> bool:
    with suppress(ValueError):
        return ipaddress.ip_address(host).is_loopback
    return host == "localhost"


def _tell(here: Here, place: Place, beside: socket.socket | None) -> None:
    print(f"The dashboard is at {place.address()} (stop with Ctrl-C)", flush=True)
    if beside is not None:
        stations = place._replace(port=beside.getsockname()[1], origin=None)
        print(f"Stations send to {stations.address()}", flush=True)
    with here.ledger.reading() as connection:
        clock = behind(connection, now())
    if clock is not None:
        print(f"rimqc: {clock}", file=sys.stderr, flush=True)
    if here.anyone is not None:
        print("Nobody signs in here, and only this machine can open it.", flush=True)
        return
    with here.ledger.writing() as connection:
        code = first_owner_code(connection, now())
    if code is not None:
        print(
            f"Nobody has an account yet. The owner opens {place.address()}{BY_CODE} "
            f"and sets a password with this code, once: {code}",
            flush=True,
        )


@contextmanager
def _stations_beside(db: str, place: Place, listener: socket.socket | None) -> Iterator[None]:
    """The stations' own process; it ends with this one, however that ends."""
    if listener is None:
        yield
        return
    from multiprocessing import get_context

    process = get_context("spawn").Process(target=_serve_stations, args=(db, place, listener))
    process.start()
    try:
        yield
    finally:
        listener.close()
        process.terminate()
        process.join(10)


def _serve_stations(db: str, place: Place, listener: socket.socket) -> None:
    from multiprocessing import parent_process

    from qc.stations.app import station_application

    def watch(stop: Callable[[], None]) -> None:
        parent = parent_process()
        if parent is not None:
            parent.join()
            stop()

    here = opened(db)
    try:
        _run(station_application(here, **place.gate()), place, listener, watch)
    finally:
        close()


def _run(
    app: Any,
    place: Place,
    listener: socket.socket,
    watch: Callable[[Callable[[], None]], None] | None = None,
) -> None:
    import uvicorn

    from qc.stations.lines import BACKLOG, Line, ScreenLine, most_lines

    Line.most = most_lines()
    server = uvicorn.Server(
        uvicorn.Config(
            app,
            http=Line,
            ws=ScreenLine,
            backlog=BACKLOG,
            # what a screen says is short
            ws_max_size=MOST_SAID,
            log_level="error",
            server_header=False,
            # uvicorn believes every program of this machine by itself
            proxy_headers=place.origin is not None,
            forwarded_allow_ips=place.proxy,
            ssl_certfile=place.cert,
            ssl_keyfile=place.key,
            timeout_graceful_shutdown=1,  # an open page would hold the end back
        )
    )

    def stop() -> None:
        server.should_exit = True

    if watch is not None:
        threading.Thread(target=watch, args=(stop,), daemon=True).start()
    if threading.current_thread() is threading.main_thread():
        # uvicorn raises the signal once more when it has ended: what waits is still to be written
        signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    gc.freeze()  # what is loaded by now stays: nothing to look through again and again
    with suppress(KeyboardInterrupt):
        server.run(sockets=[listener])


def _listen(host: str, port: int, option: str = "--port") -> socket.socket:
    """A listening socket. The protocol is named so that answers are not held back to be bundled:
    the event loop switches that off only for sockets that say they are TCP."""
    try:
        found = socket.getaddrinfo(host, None, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
    except OSError:
        raise RimqcError(f"--host {host} is no address of this machine", 2) from None
    listener = socket.socket(found[0][0], socket.SOCK_STREAM, socket.IPPROTO_TCP)
    if os.name != "nt":  # there it would let two programs share a port
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((found[0][4][0], port))
        listener.listen()
    except OverflowError:
        listener.close()
        raise RimqcError(f"{option} {port} is no port: choose one from 1024 to 65535", 2) from None
    except PermissionError:
        listener.close()
        raise RimqcError(f"port {port} may not be opened: choose {option} 1024 or above") from None
    except OSError as fault:
        listener.close()
        if fault.errno == errno.EADDRNOTAVAIL:
            raise RimqcError(f"--host {host} is no address of this machine", 2) from None
        raise RimqcError(
            f"port {port} is taken, perhaps by a dashboard that still runs: "
            f"stop that, or choose another with {option} {port + 1}"
        ) from None
    return listener
