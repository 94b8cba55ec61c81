"""Two ways between a bench and a server, both of which can be cut."""

import contextlib
import random
import socket
import subprocess
import threading
import time
from typing import Protocol


class Network(Protocol):
    """Where the server listens, how the bench reaches it, and what goes wrong in between."""

    listens_at: tuple[str, int]
    reached_at: tuple[str, int]
    server_prefix: list[str]
    bench_prefix: list[str]

    def cut(self, chance: random.Random) -> None: ...
    def close(self) -> None: ...


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


class Through:
    """One machine; all bytes pass through us, and a cut ends every connection where it stands."""

    def __init__(self) -> None:
        self.server_prefix: list[str] = []
        self.bench_prefix: list[str] = []
        self.listens_at = ("127.0.0.1", free_port())
        self._door = socket.create_server(("127.0.0.1", 0))
        self.reached_at = self._door.getsockname()
        self._open: set[socket.socket] = set()
        self._lock = threading.Lock()
        # bytes that may still pass in one direction before a cut (None: any number)
        self._left: int | None = None
        threading.Thread(target=self._accept, daemon=True).start()

    def cut(self, chance: random.Random) -> None:
        """End all connections at once, or after a few more bytes: within a request or an answer."""
        if chance.random() < 0.3:
            self._end_all()
        else:
            self._left = chance.randint(1, 3000)

    def close(self) -> None:
        self._door.close()
        self._end_all()

    def _end_all(self) -> None:
        with self._lock:
            ending, self._open = self._open, set()
        for one in ending:
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)

    def _accept(self) -> None:
        while True:
            try:
                bench, _ = self._door.accept()
            except OSError:
                return
            try:
                server = socket.create_connection(self.listens_at, 5)
            except OSError:
                bench.close()
                continue
            threading.Thread(target=self._connect, args=(bench, server), daemon=True).start()

    def _connect(self, bench: socket.socket, server: socket.socket) -> None:
        with bench, server:
            with self._lock:
                self._open |= {bench, server}
            back = threading.Thread(target=self._carry, args=(server, bench), daemon=True)
            back.start()
            self._carry(bench, server)
            back.join()
            with self._lock:
                self._open -= {bench, server}

    def _carry(self, source: socket.socket, target: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := source.recv(4096):
                if self._left is not None:
                    data, self._left = data[: self._left], self._left - len(data)
                target.sendall(data)
                if self._left is not None and self._left <= 0:
                    self._left = None
                    self._end_all()
                    break
        for one in (source, target):
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)


class Cable:
    """Two network namespaces with a cable between them, which is pulled out and put back."""

    def __init__(self, name: str) -> None:
        self._shop, self._bench = f"{name}s", f"{name}b"
        self.listens_at = self.reached_at = ("10.77.0.1", 8501)
        self.server_prefix = ["ip", "netns", "exec", self._shop]
        self.bench_prefix = ["ip", "netns", "exec", self._bench]
        for space in (self._shop, self._bench):
            _ip("netns", "add", space)
        _ip("link", "add", "cable", "netns", self._shop, "type", "veth", "peer", "name", "cable",
            "netns", self._bench)  # fmt: skip
        for space, address in ((self._shop, "10.77.0.1/24"), (self._bench, "10.77.0.2/24")):
            _ip("-n", space, "addr", "add", address, "dev", "cable")
            _ip("-n", space, "link", "set", "cable", "up")

    def cut(self, chance: random.Random) -> None:
        """Pull the cable out for longer or shorter than the bench waits for an answer."""
        _ip("-n", self._shop, "link", "set", "cable", "down")
        time.sleep(chance.choice([0.05, 0.3, 1.5]))
        _ip("-n", self._shop, "link", "set", "cable", "up")

    def close(self) -> None:
        for space in (self._shop, self._bench):
            _ip("netns", "del", space)


def _ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True, capture_output=True)


def may_lay_cables() -> bool:
    """Whether this machine lets us make network namespaces."""
    try:
        cable = Cable("rimqcp")
    except (OSError, subprocess.CalledProcessError):
        with contextlib.suppress(OSError, subprocess.CalledProcessError):
            _ip("netns", "del", "rimqcps")
        return False
    cable.close()
    return True
