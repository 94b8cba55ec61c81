"""Signing in with the shop's OpenID Connect provider: to it and back, then our own session."""

import base64
import json
from typing import NamedTuple

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from qc.errors import RimqcError
from qc.ledger.ledger import now
from qc.people import accounts, provider, sign_in
from qc.people.provider import Flow
from qc.stations.door import Door, address, local, sentence, shown
from qc.stations.gate import SIGN_IN
from qc.stations.small_pages import line, link, page

TO_PROVIDER = f"{SIGN_IN}/provider"
BACK = f"{TO_PROVIDER}/back"


class _Begun(NamedTuple):
    """What the browser keeps until it comes back; it is of no use to another."""

    flow: Flow
    after: str


def routes(door: Door) -> list[Route]:
    """`/sign-in/provider` and where the provider sends the browser back to."""
    return [shown(TO_PROVIDER, go, door), shown(BACK, come_back, door)]


def go(door: Door, request: Request) -> Response:
    """Off to the provider; the browser remembers what for."""
    assert door.here.provider is not None
    after = local(request.query_params.get("after", ""))
    try:
        where, flow = provider.begin(door.here.provider, _back_to(door, request))
    except RimqcError as fault:
        return _refused(fault)
    answer = RedirectResponse(where, 303)
    door.keep_begun(answer, _packed(_Begun(flow, after if len(after) <= 1000 else "")))
    return answer


def come_back(door: Door, request: Request) -> Response:
    """Whoever the provider vouches for signs in with the account that is linked to them."""
    answer = _signed_in(door, request)
    door.forget_begun(answer)
    return answer


def _signed_in(door: Door, request: Request) -> Response:
    vouching = door.here.provider
    assert vouching is not None
    begun, at = _unpacked(door.begun(request)), now()
    if begun is None:
        return _refused(RimqcError("this sign-in was not begun in this browser; begin again"))
    # what does not hold is counted by the address alone: it must not keep anybody else out
    counted = f"provider {address(request)}"
    later = door.too_soon(request, counted, at)
    if later:
        return later
    try:
        back_to = _back_to(door, request)
        named = provider.finish(vouching, begun.flow, dict(request.query_params), back_to, at)
        with door.here.ledger.reading() as connection:
            code = accounts.linked(connection, named)
        if code is None:
            raise RimqcError(
                f"no account here is linked to {named}; an owner links it on the screen of people"
            )
    except RimqcError as fault:
        return _refused(fault)
    with door.here.ledger.writing() as connection:
        sign_in.succeeded(connection, counted, address(request))
    return door.begin(request, code, door.station(request), begun.after)


def _refused(fault: RimqcError) -> Response:
    return page(
        "Sign in",
        line(sentence(str(fault)), "wrong"),
        link(SIGN_IN, "Back to signing in"),
        status=503 if isinstance(fault, provider.Unreachable) else 403,
    )


def _back_to(door: Door, request: Request) -> str:
    """Our own address as the person sees it; the provider takes none that it was not told of."""
    return f"{'https' if door.secure else 'http'}://{request.headers['host']}{BACK}"


def _packed(begun: _Begun) -> str:
    text = json.dumps([*begun.flow, begun.after])
    return base64.urlsafe_b64encode(text.encode()).decode().rstrip("=")


def _unpacked(text: str | None) -> _Begun | None:
    try:
        state, nonce, verifier, after = json.loads(base64.urlsafe_b64decode(f"{text or ''}=="))
        return _Begun(Flow(str(state), str(nonce), str(verifier)), local(str(after)))
    except (ValueError, TypeError):
        return None
