"""The line to the server: one request at a time, the token in its header and nowhere else."""

import http.client
import ssl
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple
from urllib.parse import urlsplit

import msgspec

from qc.devices.patience import waits
from qc.errors import RimqcError

MOST_ASKED_S = 300.0
# a server closes what is idle for longer, perhaps just as the next request is on its way
_IDLE_S = 2.0
FIRST_WAIT_S, MOST_WAIT_S = 0.5, 30.0
# the server asks for patience, or its own fault may pass
_LATER = frozenset({408, 425, 429, *range(500, 600)})

Say = Callable[[str], None]


class _Error(msgspec.Struct):
    error: str


class NoAnswer(Exception):  # noqa: N818 - an outcome: nobody knows whether the request arrived
    """No answer came; the text says why, in words."""


class Stopped(Exception):  # noqa: N818 - the end of a wait
    """Somebody ended the waiting for an answer."""


class Answer(NamedTuple):
    """What the server said; `wait_s` is the time it asks to be left alone."""

    status: int
    body: bytes
    wait_s: float | None = None

    @property
    def error(self) -> str:
        """Why the server refused the whole request; nothing where these are not its words."""
        try:
            return msgspec.json.decode(self.body, type=_Error).error
        except (msgspec.DecodeError, msgspec.ValidationError):
            return ""


class Link:
    """A connection that is opened when needed and kept while it is used."""

    def __init__(
        self, url: str, token_file: Path, *, ca: Path | None = None, timeout_s: float = 30
    ) -> None:
        """RimqcError for an address, a token file or a certificate that cannot be used."""
        self.url = url.rstrip("/")
        parts = urlsplit(self.url)
        try:
            self._port = parts.port
        except ValueError:
            self._port = -1
        if parts.scheme not in ("http", "https") or not parts.hostname or self._port == -1:
            raise RimqcError(f"--to {url!r} is no address; write https://host:port", 2)
        if parts.username or parts.password or parts.query or parts.fragment:
            raise RimqcError("--to: write https://host:port and nothing else; the token has its "
                             "own file", 2)  # fmt: skip
        self._host, self._path = parts.hostname, parts.path
        self._token_file, self._timeout_s = token_file, timeout_s
        self.token()
        self._tls = _trust(ca) if parts.scheme == "https" else None
        self._open: http.client.HTTPConnection | None = None
        self._used_at = 0.0

    @property
    def unprotected(self) -> bool:
        """Whether the token travels readable over a network."""
        return self._tls is None and self._host not in ("localhost", "127.0.0.1", "::1")

    def token(self) -> str:
        """The token as the file holds it now, so that a new one needs no restart."""
        try:
            token = self._token_file.read_text("ascii").strip()
        except (OSError, UnicodeDecodeError) as fault:
            reason = getattr(fault, "strerror", None) or "it holds more than letters and digits"
            raise RimqcError(f"--token-file {self._token_file}: {reason}", 2) from None
        if not token or not token.isprintable() or " " in token:
            raise RimqcError(f"--token-file {self._token_file} must hold one token, alone", 2)
        return token

    def ask(self, method: str, path: str, body: bytes | None = None, form: str = "json") -> Answer:
        """One request. NoAnswer where none came, whether or not the request arrived.

        RimqcError where the server refuses the token.
        """
        if self._open is not None and time.monotonic() - self._used_at > _IDLE_S:
            self.close()
        headers = {"Authorization": f"Bearer {self.token()}"}
        if body is not None:
            headers["Content-Type"] = f"application/{form}"
        try:
            connection = self._connection()
            connection.request(method, self._path + path, body, headers)
            response = connection.getresponse()
            said = response.read()  # raises where less comes than was said
            wait_s = _seconds(response.headers.get("Retry-After"))
        except (OSError, http.client.HTTPException) as fault:
            self.close()
            raise NoAnswer(_words(fault)) from None
        self._used_at = time.monotonic()
        if response.status in (401, 403):
            raise RimqcError(
                f"{self.url} refuses the token ({response.status}); put a valid one into "
                f"{self._token_file} (`rimqc station add` prints it) and start again"
            )
        return Answer(response.status, said, wait_s)

    def _connection(self) -> http.client.HTTPConnection:
        if self._open is None:
            if self._tls is None:
                self._open = http.client.HTTPConnection(
                    self._host, self._port, timeout=self._timeout_s
                )
            else:
                self._open = http.client.HTTPSConnection(
                    self._host, self._port, timeout=self._timeout_s, context=self._tls
                )
        return self._open

    def close(self) -> None:
        """Hang up; the next request opens the line again."""
        if self._open is not None:
            self._open.close()
            self._open = None


def answered(
    link: Link,
    method: str,
    path: str,
    body: bytes | None = None,
    form: str = "json",
    *,
    say: Say,
    stop: threading.Event,
    final: Callable[[Answer], bool] = lambda _: True,
) -> Answer:
    """One request, tried again until there is a `final` answer; what hinders it is said once.

    Stopped where `stop` is set meanwhile, RimqcError where the server refuses the token.
    """
    silent = False
    for wait_s in waits(FIRST_WAIT_S, MOST_WAIT_S):
        pause_s = wait_s
        try:
            answer = link.ask(method, path, body, form)
            said = f"it answered {answer.status}"
            if answer.status in _LATER:
                pause_s = max(wait_s, answer.wait_s or 0)
            elif final(answer):
                if silent:
                    say(f"{link.url} answers again")
                return answer
        except NoAnswer as fault:
            said = str(fault)
        if not silent:
            say(f"no answer from {link.url}: {said}; it is tried again")
        silent = True
        if stop.wait(pause_s):
            raise Stopped
    raise AssertionError("waiting has no end")


def _trust(ca: Path | None) -> ssl.SSLContext:
    try:
        return ssl.create_default_context(cafile=ca)
    except (OSError, ssl.SSLError) as fault:
        reason = getattr(fault, "strerror", None) or "it holds no certificate"
        raise RimqcError(f"--ca {ca}: {reason}", 2) from None


def _seconds(text: str | None) -> float | None:
    return min(float(text), MOST_ASKED_S) if text and text.isdigit() else None


def _words(fault: Exception) -> str:
    if isinstance(fault, ssl.SSLCertVerificationError):
        return (
            f"its certificate is not trusted ({fault.verify_message}); name the shop's own "
            "certificate with --ca"
        )
    if isinstance(fault, TimeoutError):
        return "nothing came back in time"
    return getattr(fault, "strerror", None) or str(fault) or type(fault).__name__
