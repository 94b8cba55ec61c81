"""A small OpenID Connect provider with its own key, that answers as a test wants it to."""

import base64
import hashlib
import hmac
import json
import time
from urllib.parse import parse_qs, urlencode

from joserfc import jwt
from joserfc.jwk import RSAKey
from starlette.applications import Starlette
from starlette.responses import JSONResponse, RedirectResponse
from starlette.routing import Route

CLIENT, SECRET = "rimqc", "a secret/with: signs"


def _text(data):
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


def _packed(part):
    return _text(json.dumps(part).encode())


class Issuer:
    """`claims` go into the next tokens beside or in place of the proper ones, `sign` makes them."""

    def __init__(self):
        self.url = ""
        self.key = RSAKey.generate_key(2048, {"kid": "k1", "use": "sig"})
        self.claims = {"sub": "person-17"}
        self.sign = self.signed
        self.answer = {}
        self._asked = {}
        self.app = Starlette(
            routes=[
                Route("/.well-known/openid-configuration", self._configuration),
                Route("/authorize", self._authorize),
                Route("/token", self._token, methods=["POST"]),
                Route("/keys", self._keys),
            ]
        )

    def signed(self, claims):
        return jwt.encode({"alg": "RS256", "kid": "k1"}, claims, self.key)

    def signed_by_another(self, claims):
        other = RSAKey.generate_key(2048, {"kid": "k1"})
        return jwt.encode({"alg": "RS256", "kid": "k1"}, claims, other)

    def signed_with_the_public_key(self, claims):
        # by hand, for the library refuses to: what everybody knows is taken as a shared secret
        said = f"{_packed({'alg': 'HS256', 'kid': 'k1'})}.{_packed(claims)}"
        public = self.key.as_pem(private=False)
        return f"{said}.{_text(hmac.digest(public, said.encode(), 'sha256'))}"

    def unsigned(self, claims):
        return f"{_packed({'alg': 'none'})}.{_packed(claims)}."

    def changed_after_signing(self, claims):
        head, _, signature = self.signed(claims).split(".")
        return f"{head}.{_packed(claims | {'sub': 'owner'})}.{signature}"

    def _configuration(self, _):
        at = self.url
        return JSONResponse({
            "issuer": at, "authorization_endpoint": f"{at}/authorize",
            "token_endpoint": f"{at}/token", "jwks_uri": f"{at}/keys",
        })  # fmt: skip

    def _authorize(self, request):
        asked = dict(request.query_params)
        code = f"code-{len(self._asked)}"
        self._asked[code] = asked
        given = {"code": code, "state": asked["state"], "iss": self.url} | self.answer
        return RedirectResponse(f"{asked['redirect_uri']}?{urlencode(given)}")

    async def _token(self, request):
        given = {name: one[0] for name, one in parse_qs((await request.body()).decode()).items()}
        asked = self._asked.pop(given["code"], None)  # a code works once
        shown = request.headers.get("authorization", "")
        ours = base64.b64encode(f"{CLIENT}:a%20secret%2Fwith%3A%20signs".encode()).decode()
        proof = hashlib.sha256(given["code_verifier"].encode()).digest()
        if (
            asked is None
            or shown != f"Basic {ours}"
            or asked["redirect_uri"] != given["redirect_uri"]
            or asked["code_challenge_method"] != "S256"
            or asked["code_challenge"] != _text(proof)
        ):
            return JSONResponse({"error": "invalid_grant"}, 400)
        at = int(time.time())
        claims = {"iss": self.url, "aud": CLIENT, "iat": at, "exp": at + 300,
                  "nonce": asked["nonce"]} | self.claims  # fmt: skip
        told = {name: value for name, value in claims.items() if value is not None}
        return JSONResponse({"access_token": "x", "token_type": "Bearer",
                             "id_token": self.sign(told)})  # fmt: skip

    def _keys(self, _):
        return JSONResponse({"keys": [self.key.as_dict(private=False)]})
