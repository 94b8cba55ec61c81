"""The routes beside the screens, and an application of them alone."""

from typing import Any

from starlette.requests import Request
from starlette.routing import BaseRoute

from qc.stations import account, entry, live, provider_sign_in, records, sign_in
from qc.stations.answers import FAULTS
from qc.stations.door import Door
from qc.stations.gate import Gate, person_of
from qc.stations.here import Here


def routes(here: Here, *, secure: bool) -> list[BaseRoute]:
    """Everything but Streamlit's own: signing in, entry, photos, stations."""

    def station_of(request: Request) -> str | None:
        return records.station_of(here, request)

    def signed_in(request: Request) -> str | None:
        person = person_of(request)
        return None if person is None else person.code

    door = Door(here, secure)
    own = [] if here.anyone else [*sign_in.routes(door), *account.routes(door)]
    if here.provider is not None:
        own += provider_sign_in.routes(door)
    shown = live.routes(
        live.Newest(), here.ledger.catalog, station_of=station_of, person_of=signed_in
    )
    # what is asked most comes first, for each is tried in turn
    return [*records.routes(here), *own, *entry.routes(here), *shown]


def station_application(here: Here, **gate: Any) -> Gate:
    """The same routes without the screens, so that a busy screen slows no rig."""
    from starlette.applications import Starlette

    secure = bool(gate.get("secure"))
    own = Starlette(routes=routes(here, secure=secure), exception_handlers=FAULTS)
    return Gate(own, here, **gate)
