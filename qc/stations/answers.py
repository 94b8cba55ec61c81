"""What routes share: a body of bounded size, and a refusal in words."""

import json
from collections.abc import Callable, Mapping
from typing import Any

from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response

from qc.errors import RimqcError


async def whole_body(request: Request, most_bytes: int) -> bytes | None:
    """The whole body; None beyond the limit, whatever its length was said to be."""
    body = bytearray()
    async for piece in request.stream():
        body += piece
        if len(body) > most_bytes:
            return None
    return bytes(body)


def refused(status: int, why: str, headers: Mapping[str, str] | None = None) -> Response:
    """Why nothing was done, for a program to show; not to be kept by any cache on the way."""
    # ASCII: what it quotes may hold half a character, which no other letters can write
    body, told = json.dumps({"error": why}), {"cache-control": "no-store", **(headers or {})}
    return Response(body, status, told, "application/json")


def _away(_: Request, fault: Exception) -> Response:
    """The database is away, or the program is closing."""
    return refused(503, str(fault), {"retry-after": "5"})


def _cut_off(_: Request, __: Exception) -> Response:
    return refused(400, "the body was cut off; send it again")


# what an application answers to faults that no route looks after
FAULTS: dict[Any, Callable[[Request, Exception], Response]] = {
    RimqcError: _away,
    ClientDisconnect: _cut_off,
}
