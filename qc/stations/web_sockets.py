"""The screens' web sockets live as long as the session behind them."""

import asyncio
from collections.abc import Callable

from starlette.concurrency import run_in_threadpool

from qc.errors import RimqcError
from qc.stations.slow_clients import App, Message, Receive, Scope, Send

CHECK_EVERY_SECONDS = 3.0
SIGNED_OUT = 4401


async def watched(
    app: App, scope: Scope, receive: Receive, send: Send, signed_in: Callable[[], bool]
) -> None:
    """Run the application as long as the session lives: asked with each message, and between."""
    waiting: asyncio.Future[Message] | None = None
    over = False

    async def still() -> bool:
        nonlocal over
        try:
            here = await run_in_threadpool(signed_in)
        except RimqcError:  # who cannot be asked after is not let go on
            here = False
        if not here and not over:
            over = True
            await send({"type": "websocket.close", "code": SIGNED_OUT, "reason": "signed out"})
        return not over

    async def hear() -> Message:
        nonlocal waiting
        while True:
            waiting = waiting or asyncio.ensure_future(receive())
            await asyncio.wait({waiting}, timeout=CHECK_EVERY_SECONDS)
            message = waiting.result() if waiting.done() else None
            begins_or_ends = message is not None and message["type"] != "websocket.receive"
            if not begins_or_ends and not await still():
                waiting.cancel()
                return {"type": "websocket.disconnect", "code": SIGNED_OUT}
            if message is not None:
                waiting = None
                return message

    async def say(message: Message) -> None:
        if not over:
            await send(message)

    try:
        await app(scope, hear, say)
    finally:
        if waiting is not None:
            waiting.cancel()
