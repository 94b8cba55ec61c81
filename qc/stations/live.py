"""What the gauges show just now: offered by `rimqc listen`, asked for by the intake screen.

Nothing is kept here: the newest reading of each gauge stands in this process for a few seconds.
A reading becomes a record only when somebody enters it.
"""

import threading
import time
from collections.abc import Callable
from typing import NamedTuple

import msgspec
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from qc.catalog.catalog import Catalog
from qc.devices.readout import Reading, spoken
from qc.errors import RimqcError
from qc.records.rules import read_number
from qc.stations.answers import refused, whole_body

FRESH_S = 5.0
# a gauge that speaks by itself does so oftener
SILENCE_S = 0.7
MOST_BYTES = 4096

Says = Callable[[Request], str | None]


class _Shown(NamedTuple):
    reading: Reading
    since_s: float
    rests: int


class Newest:
    """The newest reading of each gauge, for all threads of this process."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._shown: dict[str, _Shown] = {}
        self._door = threading.Lock()

    def show(self, reading: Reading) -> None:
        """This is what the gauge shows now."""
        with self._door:
            now_s, before = self._clock(), self._shown.get(reading.gauge)
            rests = before.rests if before else 0
            self._shown[reading.gauge] = _Shown(
                reading, now_s, rests + _comes_to_rest(before, reading, now_s)
            )

    def shown(self, gauge: str) -> tuple[Reading, float, int] | None:
        """What the gauge shows, since how many seconds, and how often it has come to rest so far;
        None where it fell silent."""
        with self._door:
            found = self._shown.get(gauge)
        if found is None or self._clock() - found.since_s > FRESH_S:
            return None
        return found.reading, self._clock() - found.since_s, found.rests


def _comes_to_rest(before: _Shown | None, reading: Reading, now_s: float) -> bool:
    """Still after it moved or, where a gauge does not tell, heard of after a silence: such a one
    speaks when somebody presses its key."""
    if reading.stable is None:
        return before is None or now_s - before.since_s >= SILENCE_S
    return reading.stable and (before is None or before.reading.stable is False)


def routes(
    newest: Newest, catalog: Callable[[], Catalog], *, station_of: Says, person_of: Says
) -> list[Route]:
    """`POST /station/reading`, `GET /station/readout?gauge=`, `GET /entry/reading?gauge=`.

    `station_of` names the station whose valid token a request carries, `person_of` whoever is
    signed in; None for neither.
    """

    async def offer(request: Request) -> Response:
        if await run_in_threadpool(station_of, request) is None:
            return refused(401, "a valid station token is needed")
        body = await whole_body(request, MOST_BYTES)
        if body is None:
            return refused(413, f"a reading has at most {MOST_BYTES} bytes")
        try:
            reading = msgspec.json.decode(body, type=Reading)
            read_number(reading.value)
            gauge = (await run_in_threadpool(catalog)).gauge(reading.gauge)
        except (ValueError, ArithmeticError, msgspec.MsgspecError) as fault:
            return refused(400, f"not a reading: {fault or 'its value is no number'}")
        if gauge is None or gauge.unit != reading.unit:
            told = "is not in the catalog" if gauge is None else f"is in {gauge.unit}"
            return refused(400, f"gauge {reading.gauge} {told}; start `rimqc listen` again")
        newest.show(reading)
        return Response(status_code=204)

    def readout(request: Request) -> Response:
        if station_of(request) is None:
            return refused(401, "a valid station token is needed")
        try:
            found = spoken(catalog(), request.query_params.get("gauge", ""))
        except RimqcError as fault:
            return refused(404, str(fault))
        return Response(msgspec.json.encode(found), media_type="application/json")

    def shown(request: Request) -> Response:
        if person_of(request) is None:
            return refused(401, "sign in first")
        gauge = request.query_params.get("gauge", "")
        found = newest.shown(gauge)
        if found is None:
            return _fresh({"gauge": gauge, "value": None})
        reading, age_s, rests = found
        return _fresh({
            "gauge": gauge, "value": f"{reading.value:f}", "unit": reading.unit,
            "stable": reading.stable, "age_s": round(age_s, 3), "rests": rests,
        })  # fmt: skip

    return [
        Route("/station/reading", offer, methods=["POST"]),
        Route("/station/readout", readout, methods=["GET"]),
        Route("/entry/reading", shown, methods=["GET"]),
    ]


def _fresh(content: dict[str, object]) -> Response:
    return JSONResponse(content, headers={"Cache-Control": "no-store"})
