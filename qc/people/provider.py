"""Signing in with an OpenID Connect provider: where to send the browser, and whom it vouches for.

Authorization code flow (OpenID Connect Core 1.0, section 3.1) with PKCE (RFC 7636). Nothing is
believed but an ID token that the issuer signed for us, for this browser and this moment.
"""

import base64
import datetime as dt
import hashlib
import hmac
import json
import os
import tomllib
import urllib.error
import urllib.request
from functools import lru_cache
from http.client import HTTPException
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import quote, urlencode, urlsplit

import msgspec

from qc.errors import RimqcError
from qc.people.accounts import MOST_LINKED
from qc.people.passwords import new_secret

TIMEOUT_S = 5.0
MOST_BYTES = 2**20
# signatures that only the holder of a private key can make: neither `none` nor a shared secret
SIGNED_BY = ["RS256", "RS384", "RS512", "PS256", "PS384", "PS512", "ES256", "ES384", "ES512",
             "EdDSA", "Ed25519"]  # fmt: skip
# clocks differ by so much
LEEWAY_S = 60
_METADATA_LASTS_S = 600.0


class Provider(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What the file of `rimqc serve --oidc` says.

    `claim` is the claim of the ID token by which accounts are linked; `name` is what people call
    the provider. The secret stands in a file or an environment variable of its own.
    """

    issuer: str
    client_id: str
    client_secret_file: str | None = None
    client_secret_env: str | None = None
    claim: str = "sub"
    name: str = "the account of your company"

    def secret(self) -> str:
        """The secret as it stands now. RimqcError where there is none."""
        if self.client_secret_env is not None:
            found = os.environ.get(self.client_secret_env, "")
            where = f"environment variable {self.client_secret_env}"
        else:
            where = f"client_secret_file {self.client_secret_file}"
            try:
                found = Path(self.client_secret_file or "").read_text("utf-8").strip()
            except (OSError, UnicodeDecodeError) as fault:
                reason = getattr(fault, "strerror", None) or "it is no text"
                raise RimqcError(f"{where}: {reason}", 2) from None
        if not found:
            raise RimqcError(f"{where} is empty; put the provider's client secret there", 2)
        return found


class Unreachable(RimqcError):  # noqa: N818 - an outcome, nobody's fault here
    """The provider gives no usable answer; nobody is at fault who wants to sign in."""


class Flow(NamedTuple):
    """What ties an answer of the provider to the browser that was sent there."""

    state: str
    nonce: str
    verifier: str


def read_provider(file: Path) -> Provider:
    """The settings in a TOML file. RimqcError, with what is wrong, where they cannot be used."""
    try:
        provider = msgspec.convert(tomllib.loads(file.read_text("utf-8")), Provider)
    except (OSError, ValueError, msgspec.ValidationError) as fault:
        raise RimqcError(f"--oidc {file}: {getattr(fault, 'strerror', None) or fault}", 2) from None
    if not _is_safe(provider.issuer) or urlsplit(provider.issuer).query:
        raise RimqcError(f"--oidc {file}: issuer {provider.issuer!r}: expected https://…", 2)
    if (provider.client_secret_file is None) == (provider.client_secret_env is None):
        raise RimqcError(
            f"--oidc {file}: give client_secret_file or client_secret_env, one of them", 2
        )
    if provider.client_secret_file is not None:  # beside the file that names it
        beside = str(file.parent / provider.client_secret_file)
        provider = msgspec.structs.replace(provider, client_secret_file=beside)
    provider.secret()
    try:
        import joserfc  # noqa: F401
    except ModuleNotFoundError:
        raise RimqcError("--oidc needs a library more: pip install 'rimqc[oidc]'", 2) from None
    return provider


def begin(provider: Provider, back_to: str) -> tuple[str, Flow]:
    """The address to send the browser to, which leads it back to `back_to`, and what to remember.

    Unreachable where the provider does not answer.
    """
    flow = Flow(new_secret(), new_secret(), new_secret())
    challenge = base64.urlsafe_b64encode(hashlib.sha256(flow.verifier.encode()).digest())
    asked = {
        "response_type": "code", "client_id": provider.client_id, "redirect_uri": back_to,
        "scope": "openid email" if provider.claim.startswith("email") else "openid profile",
        "state": flow.state, "nonce": flow.nonce,
        "code_challenge": challenge.rstrip(b"=").decode(), "code_challenge_method": "S256",
    }  # fmt: skip
    address = _metadata(provider)["authorization_endpoint"]
    return f"{address}{'&' if '?' in address else '?'}{urlencode(asked)}", flow


def finish(
    provider: Provider, flow: Flow, answer: dict[str, str], back_to: str, now: dt.datetime
) -> str:
    """Whom the provider vouches for: the value of the claim by which accounts are linked.

    `answer` is the query with which the browser came back. RimqcError, in words, for an answer
    that is not to this `flow` or a token that does not hold; Unreachable where none came.
    """
    if not hmac.compare_digest(answer.get("state", "").encode(), flow.state.encode()):
        raise RimqcError("this sign-in was not begun in this browser; begin again")
    if answer.get("iss", provider.issuer) != provider.issuer:  # RFC 9207
        raise RimqcError("another provider answered than was asked; begin again")
    if "code" not in answer:
        said = answer.get("error", "no code")[:60]
        raise RimqcError(f"{provider.name} did not let you in ({said})")
    metadata = _metadata(provider)
    token = _token(provider, metadata, flow, answer["code"], back_to)
    return _named(provider, _claims(provider, metadata, token, flow.nonce, now))


def _token(
    provider: Provider, metadata: dict[str, Any], flow: Flow, code: str, back_to: str
) -> str:
    """The ID token for a code, which works once."""
    given = {"grant_type": "authorization_code", "code": code, "redirect_uri": back_to,
             "code_verifier": flow.verifier}  # fmt: skip
    headers = {}
    if "client_secret_basic" in metadata.get(
        "token_endpoint_auth_methods_supported", ["client_secret_basic"]
    ):  # RFC 6749, section 2.3.1: both parts are encoded as a form first
        pair = f"{quote(provider.client_id, safe='')}:{quote(provider.secret(), safe='')}"
        headers["Authorization"] = f"Basic {base64.b64encode(pair.encode()).decode()}"
    else:
        given |= {"client_id": provider.client_id, "client_secret": provider.secret()}
    said = _asked(provider, metadata["token_endpoint"], urlencode(given).encode(), headers)
    token = said.get("id_token")
    if not isinstance(token, str):
        raise Unreachable(f"{provider.name} gave no ID token; its client needs the scope openid")
    return token


def _claims(
    provider: Provider, metadata: dict[str, Any], token: str, nonce: str, now: dt.datetime
) -> dict[str, Any]:
    """What a token says, once it holds (OpenID Connect Core 1.0, section 3.1.3.7)."""
    from joserfc import jwt
    from joserfc.errors import JoseError
    from joserfc.jwk import KeySet

    at = int(now.timestamp())
    must = jwt.JWTClaimsRegistry(
        at, LEEWAY_S,
        iss={"essential": True, "value": provider.issuer},
        aud={"essential": True, "value": provider.client_id},
        sub={"essential": True}, exp={"essential": True}, iat={"essential": True},
        nonce={"essential": True, "value": nonce},
    )  # fmt: skip
    try:
        # read anew each time: a key that the issuer has withdrawn opens nothing
        keys = KeySet.import_key_set(_asked(provider, metadata["jwks_uri"]))  # type: ignore[arg-type]
        claims = jwt.decode(token, keys, SIGNED_BY).claims
        must.validate(claims)
    except (JoseError, ValueError, TypeError, KeyError) as fault:
        raise RimqcError(
            f"what {provider.name} says of you does not hold ({type(fault).__name__}: {fault}); "
            "begin again"
        ) from None
    audience, party = claims["aud"], claims.get("azp", provider.client_id)
    if (
        isinstance(audience, list) and audience != [provider.client_id] and "azp" not in claims
    ) or (party != provider.client_id):
        raise RimqcError(f"what {provider.name} says of you was said to another; begin again")
    return claims


def _named(provider: Provider, claims: dict[str, Any]) -> str:
    name = claims.get(provider.claim)
    if not isinstance(name, str) or not 0 < len(name) <= MOST_LINKED or not name.isprintable():
        raise RimqcError(f"{provider.name} does not say your {provider.claim}; tell the owner")
    if provider.claim == "email" and claims.get("email_verified") is not True:
        raise RimqcError(f"{provider.name} has not verified that {name} is yours")
    return name


def _metadata(provider: Provider) -> dict[str, Any]:
    from time import monotonic

    return _discovered(provider, int(monotonic() // _METADATA_LASTS_S))


@lru_cache(maxsize=2)  # so that asking to sign in, which anybody may, does not ask the provider
def _discovered(provider: Provider, _: int) -> dict[str, Any]:
    """What the issuer says of itself (OpenID Connect Discovery 1.0, section 4)."""
    found = _asked(provider, provider.issuer.rstrip("/") + "/.well-known/openid-configuration")
    wanted = ("authorization_endpoint", "token_endpoint", "jwks_uri")
    if found.get("issuer") != provider.issuer:
        raise Unreachable(
            f"{provider.name} calls itself {str(found.get('issuer'))[:200]!r}, not the issuer "
            f"{provider.issuer!r}: the owner must mend the file of --oidc"
        )
    if not all(isinstance(found.get(one), str) and _is_safe(found[one]) for one in wanted):
        raise Unreachable(f"{provider.name} does not say where it is asked; tell the owner")
    return found


class _Stay(urllib.request.HTTPRedirectHandler):
    """What was meant for one address goes to no other."""

    def redirect_request(self, *_: Any) -> None:
        return None


_opener = urllib.request.build_opener(_Stay)


def _asked(
    provider: Provider, url: str, form: bytes | None = None, headers: dict[str, str] | None = None
) -> dict[str, Any]:
    """The object that an address answers with. A refused form is the person's to begin again."""
    request = urllib.request.Request(url, form, {"Accept": "application/json", **(headers or {})})  # noqa: S310
    try:
        with _opener.open(request, timeout=TIMEOUT_S) as answer:
            found = json.loads(answer.read(MOST_BYTES))
    except urllib.error.HTTPError as fault:
        with fault:
            if form is not None and fault.code in (400, 401):
                said = _error_of(fault.read(MOST_BYTES))
                raise RimqcError(
                    f"{provider.name} refused this sign-in ({said}); begin again"
                ) from None
        raise Unreachable(f"{provider.name} answers {fault.code}; try again later") from None
    except (OSError, HTTPException) as fault:
        inner = getattr(fault, "reason", fault)
        reason = getattr(inner, "strerror", None) or inner
        raise Unreachable(
            f"{provider.name} does not answer ({reason}); sign in with your password, or try "
            "again later"
        ) from None
    except ValueError:
        found = None
    if not isinstance(found, dict):
        raise Unreachable(f"{provider.name} gives an answer that cannot be read; tell the owner")
    return found


def _error_of(body: bytes) -> str:
    try:
        said = json.loads(body)
    except ValueError:
        said = None
    return str(said.get("error", "no reason"))[:60] if isinstance(said, dict) else "no reason"


def _is_safe(url: str) -> bool:
    """An address that nobody on the way can read: TLS, or this machine."""
    try:
        parts = urlsplit(url)
    except ValueError:
        return False
    here = parts.scheme == "http" and parts.hostname in ("127.0.0.1", "::1", "localhost")
    plain = parts.hostname and not parts.username and not parts.fragment
    return bool(plain and (parts.scheme == "https" or here))
