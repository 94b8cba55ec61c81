"""What the pages to sign in and of the own account share: cookies, tries, how sessions begin."""

import datetime as dt
import math
from collections.abc import Callable, Mapping
from functools import partial
from typing import NamedTuple
from urllib.parse import parse_qs, urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from qc.ledger.ledger import now
from qc.people import sign_in, tokens
from qc.stations.answers import whole_body
from qc.stations.gate import SIGN_IN, cookie_name
from qc.stations.here import Here
from qc.stations.small_pages import line, link, page

# a tablet stays the station it was named for
_A_YEAR = 365 * 24 * 3600
_MOST_BYTES = 8192
# how long somebody may take at a provider's pages
_BEGUN_S = 15 * 60

Given = Mapping[str, str]


class Door(NamedTuple):
    """The pages' database; `secure` where people come by TLS."""

    here: Here
    secure: bool

    def token(self, request: Request) -> str | None:
        """The session's token that the browser shows."""
        return request.cookies.get(cookie_name(self.secure))

    def station(self, request: Request) -> str | None:
        """The station that this browser was named for."""
        token = request.cookies.get(self._station_cookie)
        if not token:
            return None
        with self.here.ledger.reading() as connection:
            return tokens.screen_of(connection, token)

    def too_soon(self, request: Request, code: str, at: dt.datetime) -> Response | None:
        """The answer to somebody who must wait; else the try is counted until `begin`."""
        with self.here.ledger.writing() as connection:
            wait = sign_in.admit(connection, code, address(request), at)
        if wait <= dt.timedelta():
            return None
        seconds = math.ceil(wait.total_seconds())
        told = f"{seconds} s" if seconds < 120 else f"{math.ceil(seconds / 60)} minutes"
        answer = page(
            "Too many tries",
            line(f"Wait {told}, then try again. An owner can help with a new code.", "wrong"),
            link(SIGN_IN, "Back to signing in"),
            status=429,
        )
        answer.headers["retry-after"] = str(seconds)
        return answer

    def begin(self, request: Request, code: str, station: str | None, after: str) -> Response:
        """Go on under a new session; the one that the browser showed so far ends."""
        with self.here.ledger.writing() as connection:
            sign_in.succeeded(connection, code, address(request))
            token = sign_in.signed_in(connection, code, station, self.token(request), now())
        answer = RedirectResponse(after or "/", 303)
        self._set(answer, cookie_name(self.secure), token, None)
        return answer

    def forget(self, answer: Response) -> None:
        """Take the session's cookie out of the browser."""
        self._drop(answer, cookie_name(self.secure))

    def name_device(self, answer: Response, token: str) -> None:
        """This browser is the token's station from now on."""
        self._set(answer, self._station_cookie, token, _A_YEAR)

    def begun(self, request: Request) -> str | None:
        """What this browser keeps of a sign-in that it began at a provider."""
        return request.cookies.get(self._begun_cookie)

    def keep_begun(self, answer: Response, begun: str) -> None:
        """Let the browser keep that, for a while."""
        self._set(answer, self._begun_cookie, begun, _BEGUN_S)

    def forget_begun(self, answer: Response) -> None:
        """It works once."""
        self._drop(answer, self._begun_cookie)

    @property
    def _begun_cookie(self) -> str:
        return cookie_name(self.secure) + "-begun"

    @property
    def _station_cookie(self) -> str:
        return cookie_name(self.secure) + "-station"

    def _drop(self, answer: Response, name: str) -> None:
        answer.delete_cookie(name, secure=self.secure, httponly=True, samesite="lax")

    def _set(self, answer: Response, name: str, token: str, max_age: int | None) -> None:
        answer.set_cookie(
            name, token, max_age=max_age, secure=self.secure, httponly=True, samesite="lax"
        )


def address(request: Request) -> str:
    """Where a request comes from, as tries are counted."""
    return request.client.host if request.client else "unknown"


def shown(path: str, answer: Callable[[Door, Request], Response], door: Door) -> Route:
    """A page to look at."""
    return Route(path, partial(answer, door), methods=["GET"])


def sent(path: str, answer: Callable[[Door, Request, Given], Response], door: Door) -> Route:
    """Where a form goes."""

    async def endpoint(request: Request) -> Response:
        body = await whole_body(request, _MOST_BYTES)
        if body is None:
            return page("Too much", line("This form holds too much.", "wrong"), status=413)
        try:
            # the body of a form is ASCII by its definition, so this loses nothing
            fields = parse_qs(body.decode("latin-1"), keep_blank_values=True, max_num_fields=20)
        except ValueError:
            return page("No form", line("That was no form of ours.", "wrong"), status=400)
        given = {name: values[0] for name, values in fields.items()}
        return await run_in_threadpool(answer, door, request, given)

    return Route(path, endpoint, methods=["POST"])


def local(after: str) -> str:
    """A path of this server to go on to; nothing for what could lead elsewhere."""
    parts = urlsplit(after)
    plain = after.startswith("/") and not after.startswith("//") and after.isprintable()
    return after if plain and "\\" not in after and not parts.scheme and not parts.netloc else ""


def sentence(text: str) -> str:
    """An error's text as a sentence."""
    return text[:1].upper() + text[1:] + "."
