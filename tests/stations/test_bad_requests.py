"""Requests that no browser and no rig would send, to a real server over a bare line.

Whatever comes, the answer is a refusal or none: never a fault of ours, never a word of Python,
never a record kept in part. The server takes the next good record as if nothing had been.
"""

import re

import pytest

from tests.stations.raw_server import goes_on, head, held, said, statuses

HEADS = {
    "100,000 headers": lambda: [f"X-{n}: 1" for n in range(100_000)],
    "one header of 10 MB": lambda: ["X-Long: " + "a" * 10_000_000],
    "a control character": lambda: ["X-Odd: a\x01b"],
    "a line that goes on in the next": lambda: ["X-Folded: a", " b\r\n c"],
    "no colon": lambda: ["what is this"],
    "two lengths": lambda: ["Content-Length: 3", "Content-Length: 300"],
    "a negative length": lambda: ["Content-Length: -1"],
    "a length that is none": lambda: ["Content-Length: 1e3"],
    "a length beyond all measure": lambda: ["Content-Length: " + "9" * 400],
    "a length and chunks": lambda: ["Content-Length: 3", "Transfer-Encoding: chunked"],
    "an encoding that is none": lambda: ["Transfer-Encoding: chonked"],
    "a packed body": lambda: ["Content-Encoding: gzip", "Content-Length: 3"],
    "no host that is ours": lambda: ["Host: evil.example"],
}


@pytest.mark.parametrize("what", HEADS)
def test_a_head_that_is_not_as_it_should_be_is_refused(shop, what):
    before = held(shop)
    answer = said(shop, head(shop, "POST /station/records", *HEADS[what]()) + b"[]\n", 1)
    assert all(400 <= code < 500 or code == 501 for code in statuses(answer)), answer[:300]
    goes_on(shop, before)


@pytest.mark.parametrize(
    "line",
    ["GET /" + "a" * 200_000, "GET /%00", "GET /entry/js/..%2f..%2fqc%2ferrors.py",
     "GET /entry/photo/..%2f..%2fx", "GET //evil.example/", "GET /\\evil", "BREW /sign-in",
     "TRACE /", "CONNECT evil.example:443", "GET http://evil.example/sign-in",
     "GET /sign-in\tHTTP/1.0"],
)  # fmt: skip
def test_a_target_that_leads_astray_leads_nowhere(shop, line):
    before = held(shop)
    cookie = f"Cookie: rimqc={shop.eva}"
    answer = said(shop, head(shop, line, cookie, "Connection: close", authorized=False))
    assert all(code < 500 or code == 501 for code in statuses(answer)), answer[:300]
    assert b"RimqcError" not in answer
    assert b"evil" not in answer.partition(b"\r\n\r\n")[0]  # neither a place to go nor a cookie
    goes_on(shop, before)


COOKIES = {
    "none": "",
    "forged": "rimqc=" + "A" * 43,
    "overlong": "rimqc=" + "A" * 30_000,
    "a thousand of one name": "; ".join(["rimqc=x"] * 1000),
    "not of this alphabet": "rimqc=\xe9\xff",
    "without a name": "=; ;;=rimqc; rimqc",
}


@pytest.mark.parametrize("what", COOKIES)
def test_a_cookie_that_is_nobody_s_opens_nothing(shop, what):
    before = held(shop)
    heads = [f"Cookie: {COOKIES[what]}", "Connection: close"]
    answer = said(shop, head(shop, "GET /entry/me", *heads, authorized=False))
    assert statuses(answer) in ([401], [400], [431]), answer[:300]
    goes_on(shop, before)


def test_nobody_says_by_a_header_who_they_are_or_where_they_come_from(shop):
    claims = ["X-Forwarded-For: 127.0.0.1", "X-Forwarded-Proto: https", "X-Forwarded-Host: evil",
              "Forwarded: for=127.0.0.1;host=evil", "X-Rimqc-Session: eva", "X-User: eva",
              "X-Remote-User: eva"]  # fmt: skip
    answer = said(shop, head(shop, "GET /entry/me", *claims, "Connection: close", authorized=False))
    assert statuses(answer) == [401]
    assert b"evil" not in answer
    tom = f"Cookie: rimqc={shop.tom}"
    answer = said(
        shop, head(shop, "GET /entry/me", tom, *claims, "Connection: close", authorized=False)
    )
    assert statuses(answer) == [200]
    assert b'"tom"' in answer
    assert b'"eva"' not in answer


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "", "https://127.0.0.1"])
def test_another_page_s_script_changes_nothing_and_opens_no_web_socket(shop, origin):
    mine = [f"Cookie: rimqc={shop.eva}", f"Origin: {origin}"]
    body = [*mine, "Content-Length: 2", "Connection: close"]
    answer = said(shop, head(shop, "POST /entry/records", *body, authorized=False) + b"{}")
    assert statuses(answer) == [403]
    upgrade = [*mine, "Upgrade: websocket", "Connection: Upgrade", "Sec-WebSocket-Version: 13",
               "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ=="]  # fmt: skip
    answer = said(shop, head(shop, "GET /_stcore/stream", *upgrade, authorized=False))
    assert statuses(answer) == [403]


def test_after_signing_in_nobody_is_led_to_another_server(shop):
    for after in ("//evil.example", "https://evil.example", "/\\evil.example", "/%0d%0aLocation:x"):
        answer = said(
            shop, head(shop, f"GET /sign-in?after={after}", f"Cookie: rimqc={shop.tom}",
                       "Connection: close", authorized=False)
        )  # fmt: skip
        found = re.search(rb"(?i)^location: (.*)\r$", answer, re.MULTILINE)
        assert found is None or re.fullmatch(rb"/(?![/\\]).*", found[1]), answer[:300]
