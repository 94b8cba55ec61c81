"""What routes share: a body of bounded size, and a refusal in words."""

from collections.abc import Mapping

from starlette.requests import Request
from starlette.responses import JSONResponse, Response


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
    return JSONResponse({"error": why}, status, {"cache-control": "no-store", **(headers or {})})
