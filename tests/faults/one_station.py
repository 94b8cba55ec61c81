"""One station of a shift: a process of its own that loads little, so that eight begin together."""

import http.client
import json
import random
import ssl
import time
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import urlsplit

Line = dict[str, Any]


class Told(NamedTuple):
    """What a station saw: the times of its answers, how much it sent twice, what was refused."""

    waits_s: list[float]
    sent_again: int
    refusals: list[str]
    began: float
    ended: float


def station(
    url: str, token: str, bodies: list[list[Line]], seed: int, together: Any, queue: Any,
    ca: Path | None = None,
) -> None:  # fmt: skip
    """Send everything in order, some of it more than once."""
    chance = random.Random(seed)
    told = Told([], 0, [], 0.0, 0.0)
    again = 0
    connection = connected(url, ca)
    together.wait(60)
    began = time.time()
    for number, body in enumerate(bodies):
        if chance.random() < 0.05:  # it may have arrived: nobody hears of it
            again += len(body)
            _ask(connection, token, body)
            connection.close()
        asked = time.time()
        said = post(connection, token, body)
        told.waits_s.append(time.time() - asked)
        told.refusals.extend(refusal["reason"] for refusal in said["refusals"])
        if chance.random() < 0.1:
            before = bodies[chance.randrange(number + 1)]
            again += len(before)
            said = post(connection, token, before)
            if said["already_held"] != len(before):
                told.refusals.append(f"sent again and not held: {said}")
    queue.put(told._replace(sent_again=again, began=began, ended=time.time()))


def connected(url: str, ca: Path | None = None) -> http.client.HTTPConnection:
    """A line to the server, opened with the first request; by TLS where an authority is named."""
    parts = urlsplit(url)
    if ca is not None:
        trust = ssl.create_default_context(cafile=ca)
        return http.client.HTTPSConnection(
            parts.hostname or "", parts.port, timeout=120, context=trust
        )
    return http.client.HTTPConnection(parts.hostname or "", parts.port, timeout=120)


def _ask(connection: http.client.HTTPConnection, token: str, body: list[Line]) -> None:
    headers = {"Authorization": f"Bearer {token}"}
    connection.request("POST", "/station/records", json.dumps(body), headers)


def post(connection: http.client.HTTPConnection, token: str, body: list[Line]) -> Any:
    """Hand records in; the server's answer."""
    _ask(connection, token, body)
    return json.loads(connection.getresponse().read())
