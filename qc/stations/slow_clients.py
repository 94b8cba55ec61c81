"""Nobody holds a connection by sending slowly: the head of a request and its body have their time.

The head has so long from when the line is open or the last answer is given. A body has a while,
and more with every piece that comes: a slow radio link passes, a dripping tap does not.
"""

import asyncio
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

from qc.stations.answers import refused

HEAD_S = 15.0
BODY_S, LEAST_BYTES_A_SECOND = 30.0, 16_384
_CLOSE = {"connection": "close"}

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]


class Protocol(H11Protocol):
    """uvicorn's own, which waits for a head for ever."""

    _head_due: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._expect_head()

    def connection_lost(self, exc: Exception | None) -> None:
        super().connection_lost(exc)
        if self._head_due is not None:
            self._head_due.cancel()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        self._expect_head()

    def send_400_response(self, msg: str) -> None:
        """What is no HTTP in the middle of an answer ends the line: no second answer fits."""
        if self.conn.our_state in (h11.IDLE, h11.SEND_RESPONSE):
            super().send_400_response(msg)
        else:
            self.transport.close()

    def _expect_head(self) -> None:
        if self._head_due is not None:
            self._head_due.cancel()
        self._head_due = self.loop.call_later(HEAD_S, self._hang_up)

    def _hang_up(self) -> None:
        """Unless a request has come meanwhile, or the line is a web socket's by now."""
        answering = self.cycle is not None and not self.cycle.response_complete
        if not answering and self.transport.get_protocol() is self:
            self.transport.abort()


async def heard_in_time(app: App, scope: Scope, receive: Receive, send: Send) -> None:
    """Run the application; whoever sends the body too slowly is told so and heard no more."""
    clock = asyncio.get_running_loop().time
    due = clock() + BODY_S
    whole = begun = over = False

    async def hear() -> Message:
        nonlocal due, whole, over
        if over:
            return {"type": "http.disconnect"}
        if whole:
            return await receive()
        try:
            async with asyncio.timeout_at(due):
                message = await receive()
        except TimeoutError:
            if not begun:
                over = True
                late = refused(408, "the body came too slowly; send it again", _CLOSE)
                await late(scope, receive, send)
            return {"type": "http.disconnect"}
        due += len(message.get("body", b"")) / LEAST_BYTES_A_SECOND
        whole = not message.get("more_body", False)
        return message

    async def say(message: Message) -> None:
        nonlocal begun
        if not over:
            begun = True
            await send(message)

    await app(scope, hear, say)
