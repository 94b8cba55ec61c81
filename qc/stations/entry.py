"""The routes of the entry screens: records in, the judged part out, photos, the screen's modules.

Every record carries its own identity, so sending again is safe; the answer to records is that of
`rimqc import` for one file, with the state of the last part beside it.
"""

import json
from collections.abc import Callable, Mapping
from decimal import Decimal
from functools import partial
from pathlib import Path
from typing import Any

import msgspec
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles

from qc.devices import photos
from qc.errors import RimqcError
from qc.ledger.ledger import Ledger, now
from qc.people.who import Person
from qc.records.kinds import GaugeCheck
from qc.records.parsing import RecordParser
from qc.records.rules import is_clean
from qc.resources import folder
from qc.stations.answers import refused, whole_body
from qc.stations.desk import submit
from qc.stations.entry_once import leave_out, word
from qc.stations.gate import person_of
from qc.stations.here import Here
from qc.views.entry import checked_gauge, roster
from qc.views.entry_part import part
from qc.views.entry_test import going_test

MOST_BYTES = 2 * 2**20
MOST_RECORDS = 1000

_encoder = msgspec.json.Encoder(decimal_format="number")


class _Modules(StaticFiles):
    """The screen's JavaScript; a browser asks each time whether it has changed."""

    def file_response(self, *args: Any, **more: Any) -> Response:
        answer = super().file_response(*args, **more)
        answer.headers["Cache-Control"] = "no-cache"
        return answer


def routes(here: Here) -> list[BaseRoute]:
    """`POST /entry/records`, `GET /entry/part`, `/entry/batch` and `/entry/me`, `POST` and `GET
    /entry/photo`, and the modules under `/entry/js`, over this process's ledger."""
    kept_photos = photos.photo_folder(here.ledger.url.render_as_string(hide_password=False))

    async def records(request: Request) -> Response:
        person = person_of(request)
        if person is None:
            return refused(401, "sign in first")
        body = await _body(request, "application/json", MOST_BYTES)
        if isinstance(body, Response):
            return body
        try:
            lines, about = _read(body)
        except RimqcError as fault:
            return refused(400, str(fault))
        return await run_in_threadpool(_taken, here, person, lines, about)

    async def photo(request: Request) -> Response:
        if person_of(request) is None:
            return refused(401, "sign in first")
        body = await _body(request, "application/octet-stream", photos.MOST_BYTES)
        if isinstance(body, Response):
            return body
        serial = request.query_params.get("serial", "")
        try:
            name = await run_in_threadpool(photos.keep, kept_photos, serial, body)
        except RimqcError as fault:
            return refused(400, str(fault))
        except OSError as fault:
            return refused(503, f"the photo cannot be kept: {fault.strerror}; tell the owner")
        return _json({"photo": name})

    def signed_in(answer: Callable[[Request], Response]) -> Callable[[Request], Response]:
        def checked(request: Request) -> Response:
            if person_of(request) is None:
                return refused(401, "sign in first")
            if not all(map(is_clean, request.query_params.values())):
                return refused(400, "the address holds what no text may hold")
            return answer(request)

        return checked

    answers: dict[str, Callable[[Request], Response]] = {
        "/entry/me": _me,
        "/entry/part": partial(_one_part, here.ledger),
        "/entry/batch": partial(_one_batch, here.ledger),
        "/entry/photo/{name}": partial(_kept_photo, kept_photos),
    }
    return [
        Route("/entry/records", records, methods=["POST"]),
        Route("/entry/photo", photo, methods=["POST"]),
        *(Route(path, signed_in(answer), methods=["GET"]) for path, answer in answers.items()),
        Mount("/entry/js", _Modules(directory=folder("dashboard") / "components")),
    ]


def _me(request: Request) -> Response:
    """Who is signed in, and at which station."""
    person = person_of(request)
    assert person is not None
    return _json({"code": person.code, "name": person.name, "station": person.station})


def _read(body: bytes) -> tuple[list[dict[str, Any]], str | None]:
    """The records of a body and the part they end with; RimqcError where it holds none."""
    try:
        given = json.loads(body, parse_float=Decimal, parse_int=Decimal)
    except (ValueError, ArithmeticError, RecursionError):
        given = None
    lines = given.get("records") if isinstance(given, dict) else None
    if not isinstance(lines, list) or not all(isinstance(line, dict) for line in lines):
        raise RimqcError("expected an object with records, a list of objects")
    if len(lines) > MOST_RECORDS:
        raise RimqcError(f"at most {MOST_RECORDS} records at once, these are {len(lines)}")
    return lines, word(given, "about")


def _taken(here: Here, person: Person, lines: list[dict[str, Any]], about: str | None) -> Response:
    """Takes records in; says what became of them, and how the part stands now.

    What somebody else entered on this tablet waits for them: it must not go under another name.
    """
    other = next((line["inspector"] for line in lines if "inspector" in line), person.code)
    if other != person.code:
        return refused(409, f"{other} entered this and must sign in to send it")
    ledger = here.ledger
    with ledger.reading() as connection:
        left = leave_out(connection, lines)
    said = submit(ledger, here.writer, person, left.lines)
    refusals = [
        {**refusal, "line": left.places[refusal["line"] - 1]} for refusal in said["refusals"]
    ]
    answer = {
        "accepted": said["accepted"],
        "already_held": said["already_held"] + left.held,
        "refused": said["refused"] + len(left.refusals),
        "refusals": sorted(refusals + left.refusals, key=lambda refusal: refusal["line"]),
        "at": now().isoformat(),
    }
    if lines and lines[-1].get("kind") == "gauge-check" and not said["refused"]:
        answer["gauge"] = _gauge(ledger, person, lines[-1])
    own = [line for line in lines if about is not None and line.get("serial") == about]
    if about is not None and (own or any(line.get("kind") == "correction" for line in lines)):
        drop: Mapping[str, Any] = next(
            (line for line in reversed(own) if line.get("kind") == "drop"), {}
        )
        stage = next(filter(None, (word(line, "stage") for line in reversed(own))), "rim")
        answer |= _state(ledger, about, stage, word(drop, "protocol"), word(drop, "test"))
    return _json(answer)


def _gauge(ledger: Ledger, person: Person, line: Mapping[str, Any]) -> dict[str, Any]:
    """The gauge after a check that was taken in, with what the session knows and the line left
    out."""
    given = {name: value for name, value in line.items() if value not in (None, "")}
    own = {"inspector": person.code, "station": person.station}
    with ledger.reading() as connection:
        catalog = ledger.known(connection).catalog
        check = RecordParser(catalog.zone).from_object(own | given)
        assert isinstance(check, GaugeCheck)
        return checked_gauge(connection, catalog, check)


def _state(
    ledger: Ledger, serial: str, stage: str, protocol: str | None, test: str | None = None
) -> dict[str, Any]:
    """A part as it is judged now and, where a protocol is named, its impact test."""
    with ledger.reading() as connection:
        catalog = ledger.known(connection).catalog
        found = {"part": part(connection, catalog, serial, stage)}
        if protocol and catalog.protocol(protocol):
            found["test"] = going_test(connection, catalog, serial, protocol, test)
    return found


def _one_part(ledger: Ledger, request: Request) -> Response:
    asked = request.query_params
    stage, protocol = asked.get("stage", "rim"), asked.get("protocol")
    return _json(_state(ledger, asked.get("serial", ""), stage, protocol))


def _one_batch(ledger: Ledger, request: Request) -> Response:
    asked = request.query_params
    with ledger.reading() as connection:
        return _json(roster(connection, asked.get("batch", ""), asked.get("stage", "rim")))


def _kept_photo(folder: Path, request: Request) -> Response:
    found = photos.find(folder, request.path_params["name"])
    if found is None:
        return refused(404, "no such photo")
    path, media = found
    return FileResponse(path, media_type=media, headers=photos.HEADERS)


async def _body(request: Request, media: str, most: int) -> bytes | Response:
    """The body of a request, or a refusal. The media type keeps plain forms of other pages out."""
    if request.headers.get("content-type", "").partition(";")[0].strip() != media:
        return refused(415, f"expected {media}")
    body = await whole_body(request, most)
    return refused(413, f"at most {most} bytes at once") if body is None else body


def _json(content: Mapping[str, Any]) -> Response:
    body = _encoder.encode(content)
    return Response(body, media_type="application/json", headers={"Cache-Control": "no-store"})
