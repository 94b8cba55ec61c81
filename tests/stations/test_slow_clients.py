"""Whoever sends a body slowly is heard for a while and then no more."""

import asyncio
import json
from contextlib import suppress

from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse

from qc.stations import slow_clients
from qc.stations.slow_clients import heard_in_time


async def counted(scope, receive, send):
    """An application that says how many bytes it was sent."""
    body = await Request(scope, receive).body()
    await JSONResponse({"bytes": len(body)})(scope, receive, send)


def told(pieces, wait_s):
    """The status and body of an answer to a body that comes in pieces, with a wait before each."""
    messages = [
        {"type": "http.request", "body": piece, "more_body": at + 1 < len(pieces)}
        for at, piece in enumerate(pieces)
    ]
    said = []

    async def receive():
        await asyncio.sleep(wait_s)
        return messages.pop(0)

    async def send(message):
        said.append(message)

    scope = {"type": "http", "method": "POST", "path": "/", "headers": [], "query_string": b""}

    async def ask():
        with suppress(ClientDisconnect):  # the application hears that nobody listens
            await heard_in_time(counted, scope, receive, send)

    asyncio.run(ask())
    return said[0]["status"], json.loads(said[1]["body"])


def test_a_body_that_drips_is_answered_408_and_heard_no_more(monkeypatch):
    monkeypatch.setattr(slow_clients, "BODY_S", 0.05)
    status, said = told([b"x"] * 20, 0.02)
    assert status == 408
    assert "too slowly" in said["error"]


def test_a_slow_link_that_keeps_sending_is_heard_to_its_end(monkeypatch):
    monkeypatch.setattr(slow_clients, "BODY_S", 0.05)
    monkeypatch.setattr(slow_clients, "LEAST_BYTES_A_SECOND", 1000)
    # each piece of 1,000 bytes earns a second more
    assert told([b"x" * 1000] * 6, 0.02) == (200, {"bytes": 6000})
