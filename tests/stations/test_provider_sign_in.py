"""Signing in with an OpenID Connect provider, and the usual attacks on it."""

import time
import urllib.request
from urllib.parse import parse_qs, urlsplit

import pytest
from msgspec import structs

from qc.errors import RimqcError
from qc.people import accounts, provider
from qc.people.provider import Provider
from tests.devices.served import serving
from tests.stations.issuer import CLIENT, SECRET, Issuer
from tests.stations.shop import HOST, browser, gated, keep, now, opened

PAGE = {"accept": "text/html"}
BACK = "/sign-in/provider/back"


@pytest.fixture(scope="module")
def served():
    found = Issuer()
    with serving(found.app) as url:
        found.url = url
        yield found


@pytest.fixture
def issuer(served):
    served.claims, served.sign, served.answer = {"sub": "person-17"}, served.signed, {}
    return served


@pytest.fixture
def here(sqlite, tmp_path, issuer, monkeypatch):
    monkeypatch.setenv("OIDC_SECRET", SECRET)
    vouching = Provider(issuer.url, CLIENT, client_secret_env="OIDC_SECRET", name="the <shop>")
    with opened(sqlite.new(), tmp_path) as found:
        with found.ledger.writing() as connection:
            accounts.link(connection, "tom", "person-17", now())
        yield found._replace(provider=vouching)


@pytest.fixture
def app(here):
    return gated(here)


class _Stay(urllib.request.HTTPRedirectHandler):
    def redirect_request(self, *_):
        return None


def at_the_provider(where):
    """What the provider's page does with the browser: the path it is sent back to."""
    try:
        urllib.request.build_opener(_Stay).open(where, timeout=10)
    except urllib.error.HTTPError as answer:
        return answer.headers["location"].removeprefix(HOST)
    raise AssertionError("it did not lead back")


def gone(client, after=""):
    """Off to the provider; the path that leads back."""
    said = client.get(f"/sign-in/provider?after={after}", headers=PAGE)
    assert said.status_code == 303
    return at_the_provider(said.headers["location"])


def entered(client, path):
    # a browser says that the way here began at another site
    return client.get(path, headers={"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"})


def comes_in(client):
    return client.get("/", headers=PAGE).status_code == 200


def test_whom_the_provider_vouches_for_comes_in_where_they_wanted_to_go(here, app):
    client = browser(app)
    keep(client, "rimqc", "planted-by-somebody")
    form = client.get("/sign-in?after=/part%3Fserial%3DA1").text
    assert "Sign in with the &lt;shop&gt;" in form
    said = entered(client, gone(client, "/part%3Fserial%3DA1"))
    assert (said.status_code, said.headers["location"]) == (303, "/part?serial=A1")
    assert len(said.cookies["rimqc"]) >= 43  # a new session, not the one planted
    assert comes_in(client)
    with here.ledger.writing() as connection:
        accounts.revoke(connection, "tom", now())
    assert not comes_in(client)
    assert entered(client, gone(client)).status_code == 403


def test_the_provider_is_told_what_the_standard_asks_and_no_secret(app, issuer):
    where = browser(app).get("/sign-in/provider").headers["location"]
    assert where.startswith(f"{issuer.url}/authorize?")
    asked = {name: one[0] for name, one in parse_qs(urlsplit(where).query).items()}
    assert asked["redirect_uri"] == HOST + BACK
    assert asked["code_challenge_method"] == "S256"
    assert min(len(asked[name]) for name in ("state", "nonce", "code_challenge")) >= 43
    assert SECRET not in where


@pytest.mark.parametrize("after", ["//evil.test", "https://evil.test", "/%5Cevil.test"])
def test_it_leads_to_no_other_server(app, after):
    client = browser(app)
    assert entered(client, gone(client, after)).headers["location"] == "/"


@pytest.mark.parametrize(
    ("claims", "why"),
    [
        ({"nonce": "another"}, "nonce"),
        ({"nonce": None}, "nonce"),
        ({"aud": "another-client"}, "aud"),
        ({"aud": [CLIENT, "another-client"]}, "said to another"),
        ({"azp": "another-client"}, "said to another"),
        ({"iss": "https://evil.test"}, "iss"),
        ({"exp": int(time.time()) - 120}, "expired"),
        ({"exp": None}, "exp"),
        ({"iat": int(time.time()) + 10**6}, "in the future"),
        ({"sub": "somebody <b>else</b>"}, "linked to somebody &lt;b&gt;else"),
        ({"sub": ["person-17"]}, "sub"),
    ],
)
def test_a_token_that_does_not_hold_opens_nothing(app, issuer, claims, why):
    issuer.claims |= claims
    client = browser(app)
    said = entered(client, gone(client))
    assert said.status_code == 403
    assert why in said.text
    assert not comes_in(client)


@pytest.mark.parametrize(
    "forge",
    ["unsigned", "signed_by_another", "signed_with_the_public_key", "changed_after_signing"],
)
def test_a_forged_token_opens_nothing(app, issuer, forge, monkeypatch):
    monkeypatch.setattr(issuer, "sign", getattr(issuer, forge))
    client = browser(app)
    said = entered(client, gone(client))
    assert said.status_code == 403
    assert "does not hold" in said.text
    assert not comes_in(client)


@pytest.mark.parametrize("answer", [{"state": "another"}, {"iss": "https://evil.test"}])
def test_an_answer_to_another_question_is_not_taken(app, issuer, answer):
    issuer.answer = answer
    client = browser(app)
    assert entered(client, gone(client)).status_code == 403
    assert not comes_in(client)


def test_a_link_made_in_another_browser_signs_nobody_in(app):
    path = gone(browser(app))
    victim = browser(app)
    assert entered(victim, path).status_code == 403  # it began nothing
    gone(victim)
    assert entered(victim, path).status_code == 403  # it began another
    assert not comes_in(victim)


def test_a_code_works_once_even_with_the_cookie_of_its_browser(app):
    client = browser(app)
    path = gone(client)
    begun = client.cookies["rimqc-begun"]
    assert entered(client, path).status_code == 303
    assert "rimqc-begun" not in client.cookies
    thief = browser(app)
    keep(thief, "rimqc-begun", begun)
    said = entered(thief, path)
    assert said.status_code == 403
    assert "invalid_grant" in said.text
    assert not comes_in(thief)


@pytest.mark.parametrize("begun", ["", "x", "W10", "bnVsbA", "\u00e9"])
def test_a_forged_beginning_opens_nothing(app, begun):
    client = browser(app)
    said = client.get(f"{BACK}?code=x&state=", headers={"cookie": f"rimqc-begun={begun}".encode()})
    assert said.status_code == 403


def test_tries_that_fail_are_slowed_down_for_their_address_alone(here, app, issuer):
    issuer.claims["sub"] = "nobody"
    client = browser(app)
    told = [entered(client, gone(client)).status_code for _ in range(4)]
    assert told == [403] * 3 + [429]
    assert browser(app, here, "tom").get("/", headers=PAGE).status_code == 200


@pytest.mark.parametrize(("verified", "status"), [(True, 303), (False, 403), (None, 403)])
def test_an_address_counts_only_once_the_provider_has_verified_it(here, issuer, verified, status):
    issuer.claims |= {"email": "tom@shop.test", "email_verified": verified}
    by_email = structs.replace(here.provider, claim="email")
    with here.ledger.writing() as connection:
        accounts.link(connection, "tom", "tom@shop.test", now())
    client = browser(gated(here._replace(provider=by_email)))
    assert entered(client, gone(client)).status_code == status


def test_a_provider_that_is_down_is_said_and_passwords_go_on(here):
    away = structs.replace(here.provider, issuer="http://127.0.0.1:9")
    client = browser(gated(here._replace(provider=away)))
    said = client.get("/sign-in/provider")
    assert said.status_code == 503
    assert "The &lt;shop&gt; does not answer" in said.text
    assert "sign in with your password" in said.text
    assert client.get("/sign-in").status_code == 200


def test_without_a_provider_there_is_no_such_way(here):
    client = browser(gated(here._replace(provider=None)))
    assert client.get("/sign-in/provider").status_code == 404
    assert "Sign in with" not in client.get("/sign-in").text


def test_unlinking_signs_out_and_one_name_is_one_account(here, app):
    client = browser(app)
    entered(client, gone(client))
    with here.ledger.writing() as connection:
        with pytest.raises(RimqcError, match="linked to the account of tom"):
            accounts.link(connection, "eva", "person-17", now())
        accounts.link(connection, "tom", "", now())
    assert not comes_in(client)
    assert entered(client, gone(client)).status_code == 403


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ('issuer = "http://login.test"\nclient_id = "a"\nclient_secret_env = "E"', "https"),
        ('issuer = "https://login.test"\nclient_id = "a"', "one of them"),
        ('issuer = "https://login.test"\nclient_id = "a"\nclient_secret_file = "no"', "No such"),
        ('issuer = "https://login.test"\nclient_id = "a"\nclient_secret_env = "NO_E"', "is empty"),
        ('issuer = "https://login.test"\nclient_id = "a"\nclient_secret = "x"', "client_secret"),
        ("issuer", "--oidc"),
    ],
)
def test_settings_that_cannot_be_used_are_refused_with_the_reason(tmp_path, text, why):
    (tmp_path / "oidc.toml").write_text(text)
    with pytest.raises(RimqcError, match=why):
        provider.read_provider(tmp_path / "oidc.toml")


def test_the_secret_is_read_from_a_file_beside_the_settings(tmp_path):
    (tmp_path / "secret").write_text("s3\n")
    text = 'issuer = "https://login.test"\nclient_id = "a"\nclient_secret_file = "secret"'
    (tmp_path / "oidc.toml").write_text(text)
    assert provider.read_provider(tmp_path / "oidc.toml").secret() == "s3"
