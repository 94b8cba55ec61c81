"""The page on which a person looks after their own account, and an owner names the device."""

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from qc.errors import RimqcError
from qc.ledger.ledger import now
from qc.people import accounts, sign_in, tokens
from qc.people.roles import OWNER
from qc.people.who import Person, may
from qc.stations.door import Door, Given, address, sent, sentence, shown
from qc.stations.gate import person_of
from qc.stations.sign_in import PASSWORD, SIGN_OUT
from qc.stations.small_pages import Field, form, line, link, page

ACCOUNT = "/account"

_OLD = Field(
    "old", "Password you have now", "",
    'type="password" autocomplete="current-password" maxlength="200"',
)  # fmt: skip
_PIN = Field(
    "pin", "PIN, 6 to 12 digits", "",
    'type="password" inputmode="numeric" autocomplete="off" minlength="6" maxlength="12"',
)  # fmt: skip
_NAMED = (
    "At a named station people sign in with a PIN, and its code goes into what they record. Name "
    "only devices that stay in the shop."
)


def routes(door: Door) -> list[Route]:
    """`/account` and where its forms go."""
    return [
        shown(ACCOUNT, own, door),
        sent(f"{ACCOUNT}/password", change_password, door),
        sent(f"{ACCOUNT}/pin", change_pin, door),
        sent(f"{ACCOUNT}/station", name_device, door),
    ]


def own(door: Door, request: Request, said: str = "", wrong: str = "") -> Response:
    """What a person looks after themselves."""
    person = _signed_in(request)
    parts = [
        line(said, "said") if said else "",
        line(wrong, "wrong") if wrong else "",
        line(f"Signed in as {person.code}, {person.role}."),
        link("/", "To the records"),
        form(SIGN_OUT, [], "Sign out"),
        "<h2>Another password</h2>",
        line("You are signed out everywhere else when it changes."),
        form(f"{ACCOUNT}/password", [_OLD, PASSWORD], "Change the password"),
    ]
    if person.role != OWNER:
        again = _OLD._replace(name="again")
        parts += [
            "<h2>A PIN</h2>",
            line("It signs you in at the named stations of the shop, and nowhere else."),
            form(f"{ACCOUNT}/pin", [again, _PIN], "Set the PIN"),
        ]
    if may(person, "manage-people"):
        here = door.station(request)
        station = Field("station", "Station's code", here or "",
                        'autocapitalize="none" spellcheck="false" maxlength="64"')  # fmt: skip
        parts += [
            "<h2>This device</h2>",
            line(f"It is station {here}." if here else "It is no named station yet."),
            line(_NAMED),
            form(f"{ACCOUNT}/station", [station], "Name this device"),
        ]
    return page(person.name, *parts, status=403 if wrong else 200)


def change_password(door: Door, request: Request, given: Given) -> Response:
    """Another password: all other sessions end, and this one goes on under a new token."""
    person = _signed_in(request)
    refusal = _not_own(door, request, person, given.get("old", ""))
    if refusal:
        return refusal
    try:
        with door.here.ledger.writing() as connection:
            accounts.set_password(connection, person.code, given.get("password", ""), now())
    except RimqcError as fault:
        return own(door, request, wrong=sentence(str(fault)))
    return door.begin(request, person.code, person.station, ACCOUNT)


def change_pin(door: Door, request: Request, given: Given) -> Response:
    """A PIN for named stations."""
    person = _signed_in(request)
    refusal = _not_own(door, request, person, given.get("again", ""))
    if refusal:
        return refusal
    try:
        with door.here.ledger.writing() as connection:
            accounts.set_pin(connection, person.code, given.get("pin", ""))
    except RimqcError as fault:
        return own(door, request, wrong=sentence(str(fault)))
    return own(door, request, said="The PIN is set.")


def name_device(door: Door, request: Request, given: Given) -> Response:
    """This browser is a named station from now on."""
    if not may(_signed_in(request), "manage-people"):
        return own(door, request, wrong="Only an owner names a station.")
    try:
        with door.here.ledger.writing() as connection:
            token = tokens.name_screen(connection, given.get("station", "").strip(), now())
    except RimqcError as fault:
        return own(door, request, wrong=sentence(str(fault)))
    answer = RedirectResponse(ACCOUNT, 303)
    door.name_device(answer, token)
    return answer


def _not_own(door: Door, request: Request, person: Person, password: str) -> Response | None:
    """Whoever finds a screen open does not get the account with it."""
    later = door.too_soon(request, person.code, now())
    if later:
        return later
    with door.here.ledger.reading() as connection:
        fine = sign_in.fits(connection, person.code, password, None)
    if not fine:
        return own(door, request, wrong="That is not the password you have now.")
    with door.here.ledger.writing() as connection:
        sign_in.succeeded(connection, person.code, address(request))
    return None


def _signed_in(request: Request) -> Person:
    person = person_of(request)
    assert person is not None, "the gate lets nobody in here who is not signed in"
    return person
