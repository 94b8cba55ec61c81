"""A shop's machines, each a process of this one: two PostgreSQL servers of which one follows the
other, two servers of ours, and the balancer of `schemas/balancer.cfg` in front of them."""

import os
import shutil
import signal
import socket
import ssl
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import NamedTuple, Protocol

import psycopg

from qc.ledger.ledger import now
from qc.resources import folder as ours
from qc.stations.local_tls import local_certificate
from tests.dashboard.served import rimqc

HERE = "127.0.0.1"
ROOT = Path(__file__).parents[2]
DATABASE = "rims"
# what `.ci` and the tests set for speed would let an acknowledged record be lost
_ENV = {name: value for name, value in os.environ.items() if name != "PGOPTIONS"}


def lacking() -> str | None:
    """What this machine lacks for it, in words."""
    if _programs() is None:
        return "no PostgreSQL server programs (initdb, pg_basebackup) on this machine"
    if haproxy() is None:
        return "no haproxy on this machine"
    return None


def haproxy() -> str | None:
    """The balancer's program; Debian keeps it where not everybody looks."""
    return shutil.which("haproxy", path=f"{os.environ['PATH']}:/usr/sbin")


def _programs() -> Path | None:
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    on_path = shutil.which("initdb")
    return found[-1].parent if found else Path(on_path).parent if on_path else None


def free_port() -> int:
    """A port that nobody listens at just now."""
    with socket.create_server((HERE, 0)) as listener:
        return int(listener.getsockname()[1])


def wait_for(what: str, holds: Callable[[], bool], most_s: float = 60) -> None:
    """Come back once it holds."""
    until = time.monotonic() + most_s
    while not holds():
        assert time.monotonic() < until, f"waited {most_s} s for {what}"
        time.sleep(0.05)


class Postgres:
    """One PostgreSQL server: a primary, or a replica of `of`."""

    def __init__(self, folder: Path, port: int, of: "Postgres | None" = None) -> None:
        self.port, self._data, self._log = port, folder / "data", folder / "log"
        folder.mkdir()
        if os.geteuid() == 0:  # PostgreSQL runs as anybody but root
            shutil.chown(folder, "postgres", "postgres")
        if of is None:
            self._run("initdb", "--username", "postgres", "--auth", "trust")
        else:
            self._run("pg_basebackup", "--write-recovery-conf", "--checkpoint", "fast",
                      "--dbname", f"host={HERE} port={of.port} user=postgres")  # fmt: skip
        settings = (
            f"port = {self.port}\nlisten_addresses = '{HERE}'\nunix_socket_directories = ''\n"
            "hot_standby_feedback = on\nwal_keep_size = 512MB\n"
        )
        with (self._data / "postgresql.conf").open("a") as file:
            file.write(settings)
        self._run("pg_ctl", "start", "--wait", "--log", str(self._log))

    def _run(self, program: str, *words: str) -> None:
        folder = _programs()
        assert folder is not None
        subprocess.run(
            [folder / program, "--pgdata", str(self._data), *words], check=True, cwd="/",
            user="postgres" if os.geteuid() == 0 else None, stdout=subprocess.DEVNULL,
            env=_ENV | {"LC_ALL": "C.UTF-8"},
        )  # fmt: skip

    def promote(self) -> None:
        """It takes over."""
        self._run("pg_ctl", "promote", "--wait")

    def kill(self) -> None:
        """It is gone between one moment and the next; nothing more is written or sent."""
        self._run("pg_ctl", "stop", "--mode", "immediate")

    def ask(self, statement: str, database: str = DATABASE) -> list[tuple[object, ...]]:
        """An administrator's statement."""
        where = f"host={HERE} port={self.port} user=postgres dbname={database}"
        with psycopg.connect(where, autocommit=True) as connection:
            cursor = connection.execute(statement.encode())
            return cursor.fetchall() if cursor.description else []


class Databases:
    """A primary and its replica; the shop's addresses name both, so that either may be either."""

    def __init__(self, folder: Path, *, synchronous: bool) -> None:
        self._folder, self._synchronous, self._made = folder, synchronous, 1
        self._ports = [free_port(), free_port()]
        self.primary = Postgres(folder / "pg1", self._ports[0])
        self.replica: Postgres | None = None
        self.primary.ask(f"CREATE DATABASE {DATABASE}", "postgres")
        self.grant()
        upgraded = subprocess.run(
            rimqc("upgrade", "--db", self.address("rimqc_owner")), check=False, cwd=ROOT, env=_ENV,
            capture_output=True, text=True,
        )  # fmt: skip
        assert upgraded.returncode == 0, upgraded.stderr
        self.grant()
        self.follow()

    def grant(self) -> None:
        """Who may do what, as the script says that a shop is given."""
        where = f"postgresql://postgres@{HERE}:{self.primary.port}/{DATABASE}"
        script = str(ours("schemas") / "roles.sql")
        subprocess.run(["psql", "-qX", where, "--file", script], check=True, env=_ENV)

    def follow(self) -> None:
        """A new replica of the primary; from now on, where it is synchronous, nothing is
        acknowledged that only one of the two holds."""
        self._made += 1
        (port,) = {*self._ports} - {self.primary.port}
        self.replica = Postgres(self._folder / f"pg{self._made}", port, self.primary)
        if self._synchronous:
            self.primary.ask("ALTER SYSTEM SET synchronous_standby_names = '*'")
            self.primary.ask("SELECT pg_reload_conf()")
            state = "SELECT 1 FROM pg_stat_replication WHERE sync_state = 'sync'"
            wait_for("the replica", lambda: bool(self.primary.ask(state)))

    def fail_over(self, lag_s: float = 0) -> None:
        """The primary dies, and the replica takes over.

        For so long before nothing goes from one to the other, as on a bad line.
        """
        for (pid,) in self.primary.ask("SELECT pid FROM pg_stat_replication"):
            os.kill(int(str(pid)), signal.SIGSTOP)
        time.sleep(lag_s)
        self.primary.kill()
        assert self.replica is not None
        self.replica.promote()
        self.primary, self.replica = self.replica, None
        self.primary.ask("ALTER SYSTEM SET synchronous_standby_names = ''")
        self.primary.ask("SELECT pg_reload_conf()")

    def address(self, user: str = "rimqc_server", which: str = "read-write") -> str:
        """The address of whichever server is `which` of libpq's target_session_attrs."""
        hosts = ",".join(f"{HERE}:{port}" for port in self._ports)
        return f"postgresql+psycopg://{user}@/{DATABASE}?host={hosts}&target_session_attrs={which}"

    def stop(self) -> None:
        """All of it ends."""
        for one in (self.replica, self.primary):
            if one is not None:
                with suppress(subprocess.CalledProcessError):
                    one.kill()


class Server:
    """`rimqc serve` behind the balancer, at ports that stay its own."""

    def __init__(self, databases: Databases, origin: str, folder: Path) -> None:
        self.port, self.stations = free_port(), free_port()
        self._databases, self._origin = databases, origin
        self.log = folder / f"server-{self.port}.log"
        self.start()

    def start(self) -> None:
        """Begin to serve."""
        db = self._databases.address()
        replica = self._databases.address("rimqc_reader", "prefer-standby")
        words = ("serve", "--port", str(self.port), "--stations", str(self.stations),
                 "--behind-proxy", self._origin)  # fmt: skip
        with self.log.open("a") as log:
            self._process = subprocess.Popen(
                rimqc("--db", db, *words), cwd=self.log.parent, stdout=log, stderr=log,
                env=_ENV | {"PYTHONPATH": str(ROOT), "RIMQC_READ_DB": replica},
            )  # fmt: skip

    def listens(self) -> bool:
        """Whether both its ports are open."""
        return _listens(self.port) and _listens(self.stations)

    def revive(self) -> None:
        """What a service manager does: one whose database was away at its start has ended."""
        if self._process.poll() is not None:
            self.start()

    def stop(self, how: signal.Signals = signal.SIGTERM) -> None:
        """End it, by default as a person stops it."""
        self._process.send_signal(how)
        self._process.wait(60)


class Shop(NamedTuple):
    """All machines, and what a client needs: where to go and whom to trust."""

    databases: Databases
    servers: list[Server]
    url: str
    authority: Path

    def answers(self, path: str, cookie: str = "") -> int:
        """The status of a page through the balancer; 0 where nobody answers at all."""
        request = urllib.request.Request(self.url + path, headers={"Cookie": cookie})
        try:
            with urllib.request.urlopen(
                request, timeout=30, context=ssl.create_default_context(cafile=self.authority)
            ) as said:
                return int(said.status)
        except urllib.error.HTTPError as fault:
            return fault.code
        except OSError:
            return 0


@contextmanager
def shop(*, synchronous: bool = True) -> Iterator[Shop]:
    """The machines, all of them running; they end with the context."""
    folder = Path(tempfile.mkdtemp(prefix="rimqc-shop-"))
    folder.chmod(0o755)  # PostgreSQL's own user goes through it
    files = local_certificate(folder / "tls", [HERE], now())
    pem = folder / "balancer.pem"
    pem.write_bytes(files.cert.read_bytes() + files.key.read_bytes())
    url = f"https://{HERE}:{free_port()}"
    databases = Databases(folder, synchronous=synchronous)
    servers = []
    running = None
    try:
        servers = [Server(databases, url, folder) for _ in range(2)]
        running = balancer(url, pem, servers, folder)
        made = Shop(databases, servers, url, files.authority)
        for server in servers:
            wait_for("a server", server.listens)
        wait_for("the balancer", lambda: made.answers("/sign-in") == 200)
        yield made
    except BaseException:
        for file in sorted(folder.glob("*.log")):
            print(f"{file.name}:\n{file.read_text()}", file=sys.stderr)
        raise
    finally:
        if running is not None:
            running.kill()
            running.wait()
        for server in servers:
            server.stop()
        databases.stop()
        shutil.rmtree(folder)


def _listens(port: int) -> bool:
    with suppress(OSError), socket.create_connection((HERE, port), 1):
        return True
    return False


class Ports(Protocol):
    """Where a server listens: for screens, and for records of stations."""

    port: int
    stations: int


def balancer(
    url: str, pem: Path, servers: Sequence[Ports], folder: Path
) -> "subprocess.Popen[bytes]":
    """The balancer of the sample's very file, in front of two servers."""
    told = {"RIMQC_BIND": url.removeprefix("https://"), "RIMQC_CERT": str(pem)}
    for name, server in zip(("ONE", "TWO"), servers, strict=True):
        told |= {f"RIMQC_{name}": HERE, f"RIMQC_{name}_PORT": str(server.port),
                 f"RIMQC_{name}_STATIONS": str(server.stations)}  # fmt: skip
    program = haproxy()
    assert program is not None
    with (folder / "balancer.log").open("w") as log:
        return subprocess.Popen(
            [program, "-db", "-f", str(ours("schemas") / "balancer.cfg")], env=_ENV | told,
            stdout=log, stderr=log,
        )  # fmt: skip
