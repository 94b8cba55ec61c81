"""A line to this server, and what uvicorn leaves open on it.

A line has so long until the head of a request is whole, from when it is open or the last answer is
given. What is said on it must be read, some of it in every while. Of the lines that wait for a
request the oldest are closed where there are more than the machine has files for.
"""

import asyncio
import sys
from contextlib import suppress

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.protocols.websockets.websockets_sansio_impl import WebSocketsSansIOProtocol
from websockets.frames import Frame

HEAD_S = 15.0
# a phone's network may take a megabyte and give no sign of it for a minute
READ_S = 120.0
# how many come in at once, and how often before the first of them is closed
BACKLOG, _TURNS = 100, 4
# for databases, the journal, the screens' own files
_FILES = 100
_FEWEST, _FILES_WANTED = 50, 4096
# RFC 6455, 7.4.1: data of a kind that cannot be accepted
_NOT_BYTES = 1003
_NOT_READ = b"HTTP/1.1 400 Bad Request\r\nconnection: close\r\ncontent-length: 0\r\n\r\n"


class Line(H11Protocol):
    """uvicorn's own, which waits for a head, and for whoever does not read, for ever."""

    # as many lines as the process may have; None: no limit
    most: int | None = None
    _due: asyncio.TimerHandle | None = None
    _left = 0
    _since = 0.0

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._wait()
        if self.most is not None and len(self.connections) > self.most:
            self._close_the_oldest()

    def connection_lost(self, exc: Exception | None) -> None:
        super().connection_lost(exc)
        if self._due is not None:
            self._due.cancel()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        self._wait()

    def pause_writing(self) -> None:
        super().pause_writing()
        self._wait()

    def send_400_response(self, msg: str) -> None:
        """What is no HTTP in the middle of a request ends it: its answer finds nobody."""
        if self.cycle is not None and not self.cycle.response_complete:
            begun, self.cycle.disconnected = self.cycle.response_started, True
            self.cycle.message_event.set()
            if begun:
                self.transport.close()
                return
        if self.conn.our_state in (h11.IDLE, h11.SEND_RESPONSE):
            super().send_400_response(msg)
        else:
            self.transport.close()

    def handle_websocket_upgrade(self, event: h11.Request) -> None:
        """A handshake has no body (RFC 6455, 4.1): what came as one would be lost on the way."""
        given = dict(self.headers)
        if given.get(b"content-length", b"0") != b"0" or b"transfer-encoding" in given:
            self.send_400_response("A web socket's handshake has no body.")
        else:
            super().handle_websocket_upgrade(event)

    @property
    def idle(self) -> bool:
        """Whether no answer is owed."""
        return self.cycle is None or self.cycle.response_complete

    def _wait(self) -> None:
        """Look again after a while: a short one for a head, a long one for what is unread."""
        if self._due is not None:
            self._due.cancel()
        self._since, self._left = self.loop.time(), self.transport.get_write_buffer_size()
        self._due = self.loop.call_later(READ_S if self._left else HEAD_S, self._look)

    def _look(self) -> None:
        """Hang up, unless a request has come or some was read, or it is a web socket by now."""
        if self.transport.get_protocol() is not self:
            return
        left = self.transport.get_write_buffer_size()
        if 0 < left < self._left:
            self._wait()
        elif left or self.idle:
            self.transport.abort()

    def _close_the_oldest(self) -> None:
        """Those that are closed already are still counted for a turn or two."""
        lines = [line for line in self.connections if not line.transport.is_closing()]
        waiting = [line for line in lines if isinstance(line, Line) and line.idle]
        if waiting and self.most is not None and len(lines) > self.most:
            min(waiting, key=lambda line: line._since).transport.abort()


class ScreenLine(WebSocketsSansIOProtocol):
    """uvicorn's own, which neither answers nor closes some lines."""

    def data_received(self, data: bytes) -> None:
        """A handshake that cannot be read, its head too long for one, is answered and over."""
        super().data_received(data)
        if self.conn.handshake_exc is not None and not self.handshake_initiated:
            said = b"".join(self.conn.data_to_send())
            self.transport.write(said or _NOT_READ)
            self.transport.close()

    def handle_text(self, event: Frame) -> None:
        """Screens speak in bytes: text is refused before anybody reads it as UTF-8."""
        self.conn.send_close(_NOT_BYTES, "bytes only")
        self.handle_parser_exception()

    def keepalive_timeout(self) -> None:
        """Whoever answers no ping does not read the farewell either, and it would wait for that."""
        super().keepalive_timeout()
        self.transport.abort()


def most_lines() -> int | None:
    """How many lines this process may hold open, its limit of files raised first where it may.

    None on Windows, which has no such limit.
    """
    if sys.platform == "win32":
        return None
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = _FILES_WANTED if hard == resource.RLIM_INFINITY else min(hard, _FILES_WANTED)
    if soft != resource.RLIM_INFINITY and soft < wanted:
        with suppress(OSError, ValueError):  # some systems allow less than they say
            resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))
    soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft == resource.RLIM_INFINITY:
        return None
    return max(_FEWEST, soft - _TURNS * BACKLOG - _FILES)
