"""Signing in and the gate, attacked in the usual ways."""

import datetime as dt
import re
import threading

import pytest
from starlette.websockets import WebSocketDisconnect

from qc.people import accounts, sessions, sign_in, tokens
from qc.stations import web_sockets
from tests.stations.shop import HOST, PASSWORD, browser, gated, keep, now, opened

PAGE = {"accept": "text/html"}


@pytest.fixture
def here(db, tmp_path):
    with opened(db, tmp_path) as found:
        yield found


@pytest.fixture
def app(here):
    return gated(here)


@pytest.fixture
def still(monkeypatch):
    """The clock stands still while people try."""
    at = now()
    monkeypatch.setattr("qc.stations.sign_in.now", lambda: at)


def enter(client, code="tom", secret=PASSWORD, **more):
    return client.post("/sign-in", data={"person": code, "secret": secret} | more)


def comes_in(client):
    return client.get("/", headers=PAGE).status_code == 200


def test_a_page_leads_to_signing_in_and_back_to_where_one_wanted_to_go(app):
    client = browser(app)
    said = client.get("/part?serial=A1", headers=PAGE)
    assert said.status_code == 303
    form = client.get(said.headers["location"])
    after = re.search(r'name="after" value="([^"]*)"', form.text)[1]
    assert enter(client, after=after).headers["location"] == "/part?serial=A1"
    assert comes_in(client)


@pytest.mark.parametrize(
    "after", ["//evil.test", "https://evil.test", "/\\evil.test", "/\tx", "javascript:alert(1)"]
)
def test_signing_in_leads_to_no_other_server(app, after):
    assert enter(browser(app), after=after).headers["location"] == "/"


def test_what_is_typed_comes_back_as_text_and_never_as_markup(app):
    said = enter(browser(app), '"><script>alert(1)</script>', "x")
    assert "<script" not in said.text
    assert "script-src" not in said.headers["content-security-policy"]
    assert "default-src 'none'" in said.headers["content-security-policy"]


def test_a_wrong_password_and_an_unknown_person_are_answered_alike(app):
    known, unknown = enter(browser(app), "tom", "wrong"), enter(browser(app), "nobody", "wrong")
    assert known.status_code == unknown.status_code == 403
    plain = [re.sub(r"nonce[^\"']*|value=\"\w*\"|\"[\w-]{16}\"", "", s.text) for s in
             (known, unknown)]  # fmt: skip
    assert plain[0] == plain[1]


def test_guessing_is_slowed_down_even_for_the_right_password(app, still):
    client = browser(app)
    assert [enter(client, secret=f"wrong {i}").status_code for i in range(3)] == [403] * 3
    said = enter(client)
    assert said.status_code == 429
    assert int(said.headers["retry-after"]) >= 1
    assert not comes_in(client)
    assert enter(client, "eva").status_code == 303  # nobody else waits for it


def test_the_wait_doubles_up_to_a_quarter_of_an_hour_and_ends(here):
    at, waits = now(), []
    with here.ledger.writing() as connection:
        for _ in range(16):
            wait = sign_in.admit(connection, "tom", "1.2.3.4", at)
            if wait > dt.timedelta():
                waits.append(wait)
                at += wait
                assert sign_in.admit(connection, "tom", "1.2.3.4", at) <= dt.timedelta()
    seconds = [wait.total_seconds() for wait in waits]
    assert seconds[:4] == [1, 2, 4, 8]
    assert max(seconds) == 900


def test_nobody_waits_for_a_clock_that_was_set_back(here):
    with here.ledger.writing() as connection:
        for _ in range(4):
            sign_in.admit(connection, "tom", "1.2.3.4", now())
        back = now() - dt.timedelta(days=365)
        wait = sign_in.admit(connection, "tom", "1.2.3.4", back)
        assert dt.timedelta() < wait <= sign_in.LONGEST
        assert sign_in.admit(connection, "tom", "1.2.3.4", back + wait) <= dt.timedelta()


def test_guesses_at_once_are_counted_one_by_one(here):
    counted, together = [], threading.Barrier(8)

    def guess():
        together.wait()
        with here.ledger.writing() as connection:
            counted.append(sign_in.admit(connection, "tom", "1.2.3.4", now()) <= dt.timedelta())

    guesses = [threading.Thread(target=guess) for _ in range(8)]
    for one in guesses:
        one.start()
    for one in guesses:
        one.join()
    assert sum(counted) == sign_in.FREE_OF_ACCOUNT


def test_one_address_that_tries_many_names_is_slowed_down(app, still):
    client = browser(app)
    said = [enter(client, f"name{i}", "wrong").status_code for i in range(13)]
    assert said == [403] * 12 + [429]


def test_failures_outlive_the_server(here, app, still):
    client = browser(app)
    for i in range(3):
        enter(client, secret=f"wrong {i}")
    assert enter(browser(gated(here))).status_code == 429


def test_a_session_begins_under_a_token_nobody_could_plant(app):
    client = browser(app)
    keep(client, "rimqc", "planted-by-somebody")
    said = enter(client)
    assert said.status_code == 303
    assert "planted" not in said.cookies["rimqc"]
    assert len(said.cookies["rimqc"]) >= 43


def test_signing_in_again_ends_the_session_that_was_shown(here, app):
    client = browser(app)
    first = enter(client).cookies["rimqc"]
    assert enter(client, "eva").status_code == 303
    old = browser(app)
    keep(old, "rimqc", first)
    assert not comes_in(old)
    assert comes_in(client)


@pytest.mark.parametrize("token", ["", "x", "A" * 43, "../../etc", "\u00e9" * 20])
def test_a_forged_cookie_opens_nothing(app, token):
    client = browser(app)
    said = client.get("/", headers={"cookie": f"rimqc={token}".encode(), **PAGE})
    assert said.status_code == 303


def test_what_is_kept_in_the_database_is_no_cookie(here, app):
    client = browser(app, here, "tom")
    with here.ledger.reading() as connection:
        person = sessions.person_of(connection, client.cookies["rimqc"], now())
    thief = browser(app)
    keep(thief, "rimqc", person.session)
    assert not comes_in(thief)


def test_signing_out_ends_the_session_on_the_server_too(here, app):
    client = browser(app, here, "tom")
    token = client.cookies["rimqc"]
    assert client.post("/sign-out").status_code == 303
    keep(client, "rimqc", token)
    assert not comes_in(client)


def test_a_revoked_account_and_a_changed_password_end_every_session(here, app):
    tom, eva = browser(app, here, "tom"), browser(app, here, "eva")
    with here.ledger.writing() as connection:
        accounts.revoke(connection, "tom", now())
        accounts.set_password(connection, "eva", "another long one", now())
    assert (comes_in(tom), comes_in(eva)) == (False, False)
    assert enter(browser(app), "tom").status_code == 403


def test_a_session_ends_by_itself(here, app):
    tom, at = browser(app, here, "tom"), now()
    with here.ledger.reading() as connection:
        token = tom.cookies["rimqc"]
        later = at + sessions.IDLE - dt.timedelta(minutes=1)
        assert sessions.person_of(connection, token, later)
        assert sessions.person_of(connection, token, now() + sessions.IDLE) is None
    shared = browser(app, here, "tom", station="W1").cookies["rimqc"]
    with here.ledger.writing() as connection:
        assert sessions.person_of(connection, shared, now() + sessions.IDLE_AT_STATION) is None
        for hours in range(0, 7 * 24, 6):  # seen all the time: a week is the end all the same
            sessions.note_seen(connection, token, at + dt.timedelta(hours=hours))
        last = at + sessions.ABSOLUTE
        assert sessions.person_of(connection, token, last - dt.timedelta(minutes=10))
        assert sessions.person_of(connection, token, last + dt.timedelta(minutes=1)) is None


def test_a_clock_set_back_prolongs_no_session_and_a_little_ends_none(here, app):
    token = browser(app, here, "tom").cookies["rimqc"]
    with here.ledger.reading() as connection:
        little, much = now() - dt.timedelta(minutes=4), now() - dt.timedelta(days=40)
        assert sessions.person_of(connection, token, little)
        assert sessions.person_of(connection, token, much) is None


def test_a_new_role_counts_from_the_next_request_on(here, app):
    client = browser(app, here, "eva")
    with here.ledger.writing() as connection:
        accounts.set_role(connection, "eva", "technician")
    with here.ledger.reading() as connection:
        person = sessions.person_of(connection, client.cookies["rimqc"], now())
    assert person.role == "technician"


@pytest.mark.parametrize(
    "origin",
    [
        *("http://evil.test", "http://testserver:8502", "https://testserver", "null", ""),
        *("http://testserver.evil.test", "http://evil.test/http://testserver"),
    ],
)
def test_a_post_from_another_page_or_port_is_refused(here, app, origin):
    client = browser(app, here, "tom")
    for path in ("/entry/records", "/sign-out", "/sign-in", "/account/password"):
        assert client.post(path, headers={"origin": origin}).status_code == 403
    del client.headers["origin"]
    assert client.post("/entry/records").status_code == 403
    assert comes_in(client)


@pytest.mark.parametrize("origin", ["http://evil.test", "http://testserver:1", "null", None])
def test_a_web_socket_from_another_page_or_port_is_refused(here, app, origin):
    client = browser(app, here, "tom")
    del client.headers["origin"]
    headers = {} if origin is None else {"origin": origin}
    with (
        pytest.raises(WebSocketDisconnect),
        client.websocket_connect("/_stcore/stream", headers=headers),
    ):
        pass


def test_a_picture_of_our_data_in_another_page_is_refused_a_link_is_not(here, app):
    client = browser(app, here, "tom")
    inside = {"sec-fetch-site": "same-site", "sec-fetch-mode": "no-cors"}
    assert client.get("/media/log.csv", headers=inside).status_code == 403
    link = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate", **PAGE}
    assert client.get("/", headers=link).status_code == 200


def test_a_web_socket_without_a_session_is_refused(app):
    with pytest.raises(WebSocketDisconnect), browser(app).websocket_connect("/_stcore/stream"):
        pass


@pytest.mark.parametrize("speaks", [True, False])
def test_an_open_web_socket_closes_when_its_session_ends(here, app, monkeypatch, speaks):
    monkeypatch.setattr(web_sockets, "CHECK_EVERY_SECONDS", 0.05)
    client = browser(app, here, "tom")
    with client.websocket_connect("/_stcore/stream") as socket:
        assert socket.receive_text() == "drawn"
        socket.send_text("still here")
        assert socket.receive_text() == "still here"
        with here.ledger.writing() as connection:
            sessions.end_all(connection, "tom", now())
        if speaks:
            socket.send_text("and now?")
        with pytest.raises(WebSocketDisconnect):
            socket.receive_text()


def test_a_header_that_says_who_somebody_is_is_not_believed(here, app):
    names = ["X-Forwarded-User", "X-Remote-User", "Remote-User", "X-Auth-Request-Email",
             "X-Forwarded-Email", "X-Rimqc-Session", "X-User", "Forwarded"]  # fmt: skip
    claims = dict.fromkeys(names, "olga")
    assert browser(app).get("/", headers=claims).status_code == 401
    client = browser(app, here, "tom")
    seen = client.get("/", headers=claims).json()["seen"]
    assert "olga" not in seen.values()
    with here.ledger.reading() as connection:
        person = sessions.person_of(connection, client.cookies["rimqc"], now())
    assert seen["x-rimqc-session"] == person.session


def test_every_answer_carries_the_headers_that_keep_others_out(here, app):
    for client in (browser(app), browser(app, here, "tom")):
        for path in ("/", "/sign-in", "/nothing"):
            headers = client.get(path, headers=PAGE).headers
            assert "frame-ancestors 'none'" in headers["content-security-policy"]
            assert headers["x-content-type-options"] == "nosniff"
            assert headers["referrer-policy"] == "same-origin"


def test_under_tls_the_cookie_is_bound_to_this_host_and_to_tls(here):
    base = "https://testserver"
    client = browser(gated(here, secure=True), base=base)
    said = enter(client)
    (cookie,) = said.headers.get_list("set-cookie")
    assert cookie.startswith("__Host-rimqc=")
    for part in ("Secure", "HttpOnly", "SameSite=lax", "Path=/"):
        assert part in cookie
    assert "strict-transport-security" in said.headers
    plain = browser(gated(here, secure=True), here, "tom", base=base)
    assert not comes_in(plain)  # a cookie that could have come without TLS


def test_this_machine_is_served_under_its_own_names_only(here):
    app = gated(here, hosts=frozenset({"127.0.0.1", "localhost"}))
    assert browser(app).get("/sign-in").status_code == 421
    assert browser(app, base="http://127.0.0.1:8501").get("/sign-in").status_code == 200


def test_behind_a_proxy_what_people_type_is_what_counts(here):
    app = gated(here, secure=True, origin="https://quality.test")
    client = browser(app, base="https://inside.test:8501")
    client.headers["origin"] = "https://quality.test"
    assert enter(client).status_code == 303
    client.headers["origin"] = "https://inside.test:8501"
    assert enter(client).status_code == 403


def test_a_pin_signs_in_at_a_named_station_only(here, app):
    with here.ledger.writing() as connection:
        accounts.set_pin(connection, "tom", "493817")
    client = browser(app)
    assert enter(client, secret="493817").status_code == 403
    owner = browser(app, here, "olga")
    named = owner.post("/account/station", data={"station": "W7"})
    keep(client, "rimqc-station", named.cookies["rimqc-station"])
    assert "PIN at station W7" in client.get("/sign-in").text
    assert enter(client, secret="493817").status_code == 303
    with here.ledger.reading() as connection:
        person = sessions.person_of(connection, client.cookies["rimqc"], now())
    assert (person.code, person.station) == ("tom", "W7")


def test_a_station_that_is_revoked_takes_no_pin_and_signs_its_people_out(here, app):
    with here.ledger.writing() as connection:
        accounts.set_pin(connection, "tom", "493817")
        token = tokens.name_screen(connection, "W7", now())
        tokens.revoke_station(connection, "W7", now())
    client = browser(app)
    keep(client, "rimqc-station", token)
    assert enter(client, secret="493817").status_code == 403


def test_the_token_of_a_rig_names_no_tablet_and_a_tablets_opens_no_rig(here, app):
    with here.ledger.writing() as connection:
        accounts.set_pin(connection, "tom", "493817")
        rig = tokens.add_station(connection, "W7", now())
        tablet = tokens.name_screen(connection, "W7", now())
    client = browser(app)
    keep(client, "rimqc-station", rig)
    assert enter(client, secret="493817").status_code == 403
    headers = {"authorization": f"Bearer {tablet}"}
    assert client.post("/station/records", json=[], headers=headers).status_code == 401


def test_the_token_of_a_rig_opens_no_page_and_a_session_no_rigs_route(here, app):
    with here.ledger.writing() as connection:
        rig = tokens.add_station(connection, "W7", now())
    headers = {"authorization": f"Bearer {rig}"}
    assert browser(app).get("/", headers=headers).status_code == 401
    assert browser(app).get("/entry/part", headers=headers).status_code == 401
    said = browser(app, here, "olga").post("/station/records", json=[])
    assert said.status_code == 401


def test_an_owner_has_no_pin(here, app):
    client = browser(app, here, "olga")
    said = client.post("/account/pin", data={"again": PASSWORD, "pin": "493817"})
    assert "password everywhere" in said.text
    with here.ledger.writing() as connection:
        accounts.set_pin(connection, "eva", "493817")
        accounts.set_role(connection, "eva", "owner")
    with here.ledger.reading() as connection:
        assert not sign_in.fits(connection, "eva", "493817", "W1")


def test_a_found_screen_does_not_give_the_account_away(here, app):
    client = browser(app, here, "tom")
    data = {"old": "guessed", "password": "mine from now on"}
    assert client.post("/account/password", data=data).status_code == 403
    assert client.post("/account/pin", data={"again": "guess", "pin": "493817"}).status_code == 403
    assert enter(browser(app)).status_code == 303


def test_changing_the_own_password_keeps_this_browser_and_ends_the_others(here, app):
    client, other = browser(app, here, "tom"), browser(app, here, "tom")
    before = client.cookies["rimqc"]
    data = {"old": PASSWORD, "password": "mine from now on"}
    assert client.post("/account/password", data=data).status_code == 303
    assert client.cookies["rimqc"] != before
    assert (comes_in(client), comes_in(other)) == (True, False)
    assert enter(browser(app), secret="mine from now on").status_code == 303


@pytest.mark.parametrize("secret", ["short", "x" * 201])
def test_a_password_that_is_too_short_or_too_long_is_refused_in_words(here, app, secret):
    client = browser(app, here, "tom")
    said = client.post("/account/password", data={"old": PASSWORD, "password": secret})
    assert said.status_code == 403
    assert "10 to 200 characters" in said.text


def test_a_form_of_nonsense_is_no_fault_of_the_program(app):
    client = browser(app)
    form = {"content-type": "application/x-www-form-urlencoded"}
    assert client.post("/sign-in", content=b"\xff\xfe%ZZ=%", headers=form).status_code == 403
    assert client.post("/sign-in", content=b"a&" * 4000, headers=form).status_code == 400
    assert client.post("/sign-in", content=b"x" * 9000, headers=form).status_code == 413


def test_the_first_owner_makes_the_account_with_the_code_of_the_terminal(databases):
    from qc.ledger.ledger import Ledger
    from qc.ledger.writer import Writer
    from qc.stations.here import Here

    with Ledger(databases.new()) as ledger, Writer(ledger) as writer:
        with ledger.writing() as connection:
            old = accounts.first_owner_code(connection, now())
            code = accounts.first_owner_code(connection, now())
        client = browser(gated(Here(ledger, writer)))
        data = {"person": "olga", "name": "Olga", "password": PASSWORD}
        assert client.post("/sign-in/code", data=data | {"code": old}).status_code == 403
        said = client.post("/sign-in/code", data=data | {"code": f" {code.lower()} "})
        assert said.status_code == 303
        assert comes_in(client)
        again = client.post("/sign-in/code", data=data | {"code": code, "person": "eve"})
        assert again.status_code == 403
        with ledger.writing() as connection:
            assert accounts.first_owner_code(connection, now()) is None
            (only,) = accounts.people(connection)
        assert (only["code"], only["role"]) == ("olga", "owner")


def test_a_one_time_code_is_for_one_account_once_and_not_for_ever(here, app):
    with here.ledger.writing() as connection:
        code = accounts.reset(connection, "tom", now())
        stale = accounts.reset(connection, "eva", now() - dt.timedelta(days=4))
    client = browser(app)
    data = {"name": "", "password": "quite another one"}
    for tried in ({"person": "olga", "code": code}, {"person": "eva", "code": stale}):
        assert client.post("/sign-in/code", data=data | tried).status_code == 403
    good = data | {"person": "tom", "code": code}
    assert client.post("/sign-in/code", data=good).status_code == 303
    assert browser(app).post("/sign-in/code", data=good).status_code == 403
    assert enter(browser(app)).status_code == 403


def test_guessing_codes_is_slowed_down(app, still):
    client = browser(app)
    data = {"person": "tom", "name": "", "password": PASSWORD}
    said = [client.post("/sign-in/code", data=data | {"code": f"X{i}"}) for i in range(4)]
    assert [one.status_code for one in said] == [403, 403, 403, 429]
    assert enter(browser(app)).status_code == 303  # nobody is kept from their account by it


def test_the_last_owner_stays(here):
    from qc.errors import RimqcError

    with here.ledger.writing() as connection:
        for change in (
            lambda: accounts.revoke(connection, "olga", now()),
            lambda: accounts.set_role(connection, "olga", "engineer"),
        ):
            with pytest.raises(RimqcError, match="last owner"):
                change()


def test_the_demo_lets_everybody_in_and_has_no_sign_in(here):
    from qc.stations.here import VISITOR

    app = gated(here._replace(anyone=VISITOR))
    client = browser(app)
    assert client.get("/", headers=PAGE).status_code == 200
    assert client.get("/sign-in").status_code == 404
    assert client.post("/entry/records", headers={"origin": "http://evil.test"}).status_code == 403
    assert client.get("/entry/me").json()["code"] == "demo"
    with client.websocket_connect("/_stcore/stream") as socket:
        assert socket.receive_text() == "drawn"
    assert HOST
