"""The pages where people sign in and out, and set a password with a one-time code."""

from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from qc.errors import RimqcError
from qc.ledger.ledger import now
from qc.people import accounts, sessions, sign_in
from qc.stations.door import Door, Given, address, local, sent, sentence, shown
from qc.stations.gate import SIGN_IN
from qc.stations.provider_sign_in import TO_PROVIDER
from qc.stations.small_pages import Field, form, line, link, page

SIGN_OUT = "/sign-out"
BY_CODE = f"{SIGN_IN}/code"
# no account's code, for it holds a space
_CODES = "one-time codes"

_CODE = 'autocapitalize="none" spellcheck="false" maxlength="64"'
PASSWORD = Field(
    "password", "New password, at least 10 characters", "",
    'type="password" autocomplete="new-password" minlength="10" maxlength="200"',
)  # fmt: skip
_WHENCE = (
    "The code stands on the terminal where rimqc was started for the first time, or comes from "
    "the owner. It works once."
)


def routes(door: Door) -> list[Route]:
    """`/sign-in`, `/sign-in/code` and `/sign-out`."""
    return [
        shown(SIGN_IN, ask, door),
        sent(SIGN_IN, enter, door),
        shown(BY_CODE, ask_code, door),
        sent(BY_CODE, use_code, door),
        sent(SIGN_OUT, leave, door),
    ]


def ask(door: Door, request: Request, wrong: str = "", code: str = "", after: str = "") -> Response:
    """The form to sign in."""
    station = door.station(request)
    what = f"Password, or PIN at station {station}" if station else "Password"
    person = Field("person", "Your code", code, f'autocomplete="username" autofocus {_CODE}')
    secret = Field(
        "secret", what, "", 'type="password" autocomplete="current-password" maxlength="200"'
    )
    after = after or local(request.query_params.get("after", ""))
    return page(
        "Sign in",
        line(wrong, "wrong") if wrong else "",
        form(SIGN_IN, [person, secret], "Sign in", after),
        _by_provider(door, after),
        link(BY_CODE, "Set a password with a one-time code"),
        status=403 if wrong else 200,
    )


def _by_provider(door: Door, after: str) -> str:
    """A link, for the page's policy lets a form lead nowhere else."""
    if door.here.provider is None:
        return ""
    to = f"{TO_PROVIDER}?after={quote(after, safe='')}" if after else TO_PROVIDER
    return link(to, f"Sign in with {door.here.provider.name}")


def enter(door: Door, request: Request, given: Given) -> Response:
    """Sign in with a password or PIN."""
    code, after = given.get("person", "").strip(), local(given.get("after", ""))
    station = door.station(request)
    later = door.too_soon(request, code, now())
    if later:
        return later
    with door.here.ledger.reading() as connection:
        fine = sign_in.fits(connection, code, given.get("secret", ""), station)
    if not fine:
        return ask(door, request, sentence(sign_in.REFUSED), code, after)
    return door.begin(request, code, station, after)


def ask_code(door: Door, request: Request, wrong: str = "", given: Given | None = None) -> Response:
    """The form for a one-time code."""
    kept = given or {}
    more = 'autocomplete="one-time-code" autocapitalize="characters" spellcheck="false" autofocus'
    fields = [
        Field("code", "One-time code", kept.get("code", ""), f'{more} maxlength="40"'),
        Field("person", "Your code, as it shall stand in records", kept.get("person", ""),
              f'autocomplete="username" {_CODE}'),
        Field("name", "Your name", kept.get("name", ""), 'autocomplete="name" maxlength="200"'),
        PASSWORD,
    ]  # fmt: skip
    return page(
        "Set a password",
        line(wrong, "wrong") if wrong else "",
        line(_WHENCE),
        form(BY_CODE, fields, "Set the password"),
        link(SIGN_IN, "Back to signing in"),
        status=403 if wrong else 200,
    )


def use_code(door: Door, request: Request, given: Given) -> Response:
    """Set a password with a one-time code, and sign in with it."""
    code, at = given.get("person", "").strip(), now()
    # guesses at codes are counted by themselves: they must not keep anybody from their account
    later = door.too_soon(request, _CODES, at)
    if later:
        return later
    one_time, name, password = (given.get(part, "") for part in ("code", "name", "password"))
    try:
        with door.here.ledger.writing() as connection:
            accounts.use_code(connection, one_time, code, name, password, at)
    except RimqcError as fault:
        return ask_code(door, request, sentence(str(fault)), given)
    with door.here.ledger.writing() as connection:
        sign_in.succeeded(connection, _CODES, address(request))
    return door.begin(request, code, door.station(request), "/")


def leave(door: Door, request: Request, _: Given) -> Response:
    """Sign out; the open web sockets of the session end too."""
    token = door.token(request)
    if token:
        with door.here.ledger.writing() as connection:
            sessions.end(connection, token, now())
    answer = RedirectResponse(SIGN_IN, 303)
    door.forget(answer)
    return answer
