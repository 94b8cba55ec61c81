"""Nobody holds a request up by sending its body slowly.

A body has a while, and more with every piece that comes: a slow radio link passes, a dripping tap
does not. The time of a request's head is in `lines`.
"""

import asyncio
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

from qc.stations.answers import refused

BODY_S, LEAST_BYTES_A_SECOND = 30.0, 16_384
_CLOSE = {"connection": "close"}

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]


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
