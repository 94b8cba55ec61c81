"""One gate in front of everything: pages, web sockets, downloads, our own routes.

Nobody passes without a session but to the sign-in pages, and to stations' routes, which ask for
their own token. A request that changes something, and every web socket, must come from a page of
this very server (Origin against Host). A session that ends closes its web sockets.
"""

from urllib.parse import quote, urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import MutableHeaders
from starlette.requests import HTTPConnection
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response

from qc.errors import RimqcError
from qc.people.who import Person
from qc.stations.answers import refused
from qc.stations.headers import HEADERS, HTTPS_ONLY
from qc.stations.here import Here
from qc.stations.slow_clients import App, Message, Receive, Scope, Send, heard_in_time
from qc.stations.web_sockets import SIGNED_OUT, watched

SIGN_IN = "/sign-in"
# whatever a station's token opens
STATIONS = "/station/"
# Streamlit lets nobody go on with a session that began under another value of it
SESSION_HEADER = "X-Rimqc-Session"
_SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
# headers by which a proxy would say who somebody is
_CLAIMS = (b"x-forwarded-", b"x-auth-", b"x-remote-", b"remote-", b"x-user", b"x-email",
           b"x-streamlit-", b"x-rimqc-", b"forwarded")  # fmt: skip


def cookie_name(secure: bool) -> str:
    """The session's cookie; under TLS its name binds it to this host and to TLS."""
    return "__Host-rimqc" if secure else "rimqc"


class Gate:
    """The ASGI application behind the gate.

    `hosts` are the names the server goes by (None: any, since a cookie is bound to its name).
    `origin` is where people see the server, where a proxy stands in front; else it is what the
    request says. `policy` is the content security policy of pages that give none themselves.
    """

    def __init__(
        self, app: App, here: Here, *, secure: bool = False, hosts: frozenset[str] | None = None,
        origin: str | None = None, policy: str | None = None,
    ) -> None:  # fmt: skip
        self._app, self._here, self._secure, self._hosts = app, here, secure, hosts
        self._origin = origin
        self._headers = HEADERS | (HTTPS_ONLY if secure else {})
        if policy is not None:
            self._headers["content-security-policy"] = policy

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        connection = HTTPConnection(scope)
        token = connection.cookies.get(cookie_name(self._secure))
        web_socket = scope["type"] == "websocket"
        if not web_socket:
            send = self._with_headers(send)
        refusal, person = self._strange(scope, connection), None
        if refusal is None and not scope["path"].startswith(STATIONS):
            try:
                person = await run_in_threadpool(self._here.person, token)
            except RimqcError as fault:
                refusal = JSONResponse({"error": str(fault)}, 503)
        if refusal is None and person is None and not _open(scope["path"]):
            refusal = _nobody(scope)
        if refusal is not None:
            await _refuse(refusal, scope, receive, send)
            return
        scope.setdefault("state", {})["person"] = person
        _say_who(scope, person, self._origin)
        if not web_socket:
            await heard_in_time(self._app, scope, receive, send)
        elif self._here.anyone is not None:
            await self._app(scope, receive, send)
        else:
            here = self._here
            await watched(self._app, scope, receive, send, lambda: here.person(token) is not None)

    def _strange(self, scope: Scope, connection: HTTPConnection) -> Response | None:
        """A refusal where the host is not ours, another page's script sent the request, or the
        request may be read in two ways (RFC 9112, 6.1)."""
        if "content-length" in connection.headers and "transfer-encoding" in connection.headers:
            # whoever stands between reads the one, we the other: what follows may be hidden in it
            return refused(400, "a body has a length or chunks, not both", {"connection": "close"})
        host = connection.headers.get("host", "").lower()
        if self._hosts is not None and _bare(host) not in self._hosts:
            return PlainTextResponse("This server does not go by that name.", 421)
        if scope["path"].startswith(STATIONS):
            return None  # a token is asked for there, and no cookie looked at
        if scope["type"] == "http" and scope["method"] in _SAFE:
            # a link may lead here from anywhere; a script or picture of another page may not
            asked = connection.headers.get("sec-fetch-site", "none")
            navigates = connection.headers.get("sec-fetch-mode") == "navigate"
            fine = asked in ("same-origin", "none") or navigates
        else:
            # a browser says where a request comes from whenever it could do harm
            scheme = {"ws": "http", "wss": "https"}.get(scope["scheme"], scope["scheme"])
            own = self._origin or f"{scheme}://{host}"
            fine = connection.headers.get("origin", "").lower() == own
        if fine:
            return None
        return PlainTextResponse("Refused: this did not come from a page of this server.", 403)

    def _with_headers(self, send: Send) -> Send:
        async def sent(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(raw=list(message.get("headers", [])))
                for name, value in self._headers.items():
                    headers.setdefault(name, value)
                message["headers"] = headers.raw
            await send(message)

        return sent


def person_of(connection: HTTPConnection) -> Person | None:
    """Who the gate let in with this request."""
    found: Person | None = connection.scope.get("state", {}).get("person")
    return found


def _open(path: str) -> bool:
    return path == SIGN_IN or path.startswith((f"{SIGN_IN}/", STATIONS))


def _nobody(scope: Scope) -> Response:
    accept = dict(scope["headers"]).get(b"accept", b"")
    if scope["type"] == "http" and scope["method"] == "GET" and b"text/html" in accept:
        target = scope["path"] + ("?" if scope["query_string"] else "")
        after = quote(target + scope["query_string"].decode("latin-1"), safe="/")
        return RedirectResponse(SIGN_IN if after == "/" else f"{SIGN_IN}?after={after}", 303)
    return JSONResponse({"error": "not signed in; reload the page to sign in"}, 401)


async def _refuse(refusal: Response, scope: Scope, receive: Receive, send: Send) -> None:
    if scope["type"] == "http":
        await refusal(scope, receive, send)
        return
    await receive()
    await send({"type": "websocket.close", "code": SIGNED_OUT, "reason": "not signed in"})


def _bare(host: str) -> str:
    """A Host header without its port."""
    try:
        return (urlsplit(f"//{host}").hostname or "").lower()
    except ValueError:
        return ""


def _say_who(scope: Scope, person: Person | None, origin: str | None) -> None:
    """Nobody says by a header who they are; we say it, so that no session resumes another's."""
    headers = [pair for pair in scope["headers"] if not pair[0].lower().startswith(_CLAIMS)]
    if person is not None:
        headers.append((SESSION_HEADER.lower().encode(), (person.session or person.code).encode()))
    if origin is not None:  # what a proxy calls us is no name people know
        headers = [pair for pair in headers if pair[0].lower() != b"host"]
        headers.append((b"host", urlsplit(origin).netloc.encode()))
    scope["headers"] = headers
