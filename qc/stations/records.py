"""`POST /station/records`: a station hands records in, as often as it must."""

import asyncio
from collections.abc import Iterator
from functools import partial
from itertools import chain
from typing import Any

import msgspec
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from qc.people.tokens import sender
from qc.readers.objects import Entry, array_entries, entries
from qc.readers.refusal import Refusal
from qc.readers.text import BOM, blocks
from qc.stations.answers import refused, whole_body
from qc.stations.desk import Handed, submit_station
from qc.stations.here import Here

MOST_BYTES = 16 * 2**20
SHORT_BYTES = 1 << 16
# a refusal takes more memory than the few bytes that were refused
MOST_RECORDS = 100_000
_PIECE = 1 << 16


def token_of(request: Request) -> str | None:
    """The token that a request carries, if it carries one."""
    scheme, _, token = request.headers.get("authorization", "").partition(" ")
    return token.strip() or None if scheme.lower() == "bearer" else None


def station_of(here: Here, request: Request) -> str | None:
    """The station whose token a request carries; None for none or one that is revoked."""
    token = token_of(request)
    if token is None:
        return None
    with here.ledger.reading() as connection:
        found = sender(connection, token)
    return None if found is None else found.station


def routes(here: Here, most_bytes: int = MOST_BYTES) -> list[Route]:
    """The route, over this process's ledger."""

    async def take(request: Request) -> Response:
        token = token_of(request)
        # a short body is heard before anybody is asked whose token it is; a long one is not
        if token is not None and not _short(request):
            token = token if await run_in_threadpool(station_of, here, request) else None
        if token is None:
            return _nobody()
        if request.headers.get("content-encoding", "identity") != "identity":
            return refused(415, "send the body as it is, not compressed")
        body = await whole_body(request, most_bytes)
        if body is None:
            return refused(413, f"at most {most_bytes} bytes at once; send fewer records")
        try:
            answer = await _taken(here, token, body)
        except BodyError as fault:
            return refused(fault.status, str(fault))
        if answer is None:
            return _nobody()
        return Response(msgspec.json.encode(answer), media_type="application/json")

    return [Route("/station/records", take, methods=["POST"])]


async def _taken(here: Here, token: str, body: bytes) -> dict[str, Any] | None:
    """What became of a body. A short one is read and written in one go, together with all that
    wait at the moment; a long one is read beside, so that nobody waits for that.
    """
    read = partial(read_body, body)
    if len(body) > SHORT_BYTES:
        return await run_in_threadpool(submit_station, here, token, read)
    handed = Handed(here.ledger, token, read)
    answers = await asyncio.wrap_future(here.writer.submit_checked(handed.check))
    return handed.report(answers)


def _short(request: Request) -> bool:
    length = request.headers.get("content-length", "")
    return length.isascii() and length.isdigit() and len(length) < 9 and int(length) <= SHORT_BYTES


def _nobody() -> Response:
    return refused(401, "a valid station token is needed", {"www-authenticate": "Bearer"})


class BodyError(ValueError):
    """A body that is no list of records at all, or too long a one; nothing of it was taken."""

    def __init__(self, reason: str, status: int = 400) -> None:
        super().__init__(reason)
        self.status = status


def read_body(body: bytes) -> Iterator[Entry | Refusal]:
    """The objects of a JSON array (numbered from 1) or of JSON Lines (by their lines).

    What cannot be read is a refusal in its place, as in a file. BodyError for an array that is
    broken, since nobody knows what was to follow, for an empty body and for too many records.
    """
    is_array = body.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"[")
    for count, one in enumerate(_array(body) if is_array else _lines(body)):
        if count == MOST_RECORDS:
            raise BodyError(f"at most {MOST_RECORDS} records at once; send fewer", 413)
        yield one


def _lines(body: bytes) -> Iterator[Entry | Refusal]:
    lines = blocks(body[at : at + _PIECE] for at in range(0, len(body), _PIECE))
    first = next(lines)
    if first.lines and first.lines[0].startswith(BOM):
        first.lines[0] = first.lines[0].removeprefix(BOM)
    read = entries(chain((first,), lines))
    found = next(read, None)
    if found is None:
        raise BodyError("the body is empty; send a JSON array or JSON Lines")
    yield found
    yield from read


def _array(body: bytes) -> Iterator[Entry | Refusal]:
    try:
        yield from array_entries(body.decode("utf-8-sig"))
    except (ValueError, RecursionError) as fault:
        reason = f"the body is no whole JSON array ({fault}); nothing of it was taken"
        raise BodyError(reason) from None
