"""The few pages of our own HTML: a form, no script, light or dark as the browser is."""

import secrets
from collections.abc import Iterable
from html import escape
from typing import NamedTuple

from starlette.responses import HTMLResponse

_STYLE = """
:root { color-scheme: light dark; --ground: #fbfaf6; --text: #1b2530; --aside: #4e5963;
  --field: #ffffff; --line: #6f7a84; --main: #1c5a85; --on-main: #ffffff; --wrong: #8a2257; }
@media (prefers-color-scheme: dark) { :root { --ground: #12181e; --text: #ece9e1;
  --aside: #b3bcc4; --field: #1f2830; --line: #8b97a1; --main: #8ec1e6; --on-main: #12181e;
  --wrong: #f0a3c9; } }
* { box-sizing: border-box; }
body { margin: 0; background: var(--ground); color: var(--text); font: 1.125rem/1.45 sans-serif; }
main { max-width: 27rem; margin: 0 auto; padding: 2.5rem 1rem; }
h1 { font-size: 1.6rem; margin: 0 0 1rem; }
h2 { font-size: 1.2rem; margin: 2.5rem 0 .5rem; }
label { display: block; margin: 1rem 0 .25rem; font-weight: 600; }
input, select, button { width: 100%; min-height: 3rem; font: inherit; border-radius: 4px; }
input, select { padding: .5rem .75rem; color: inherit; background: var(--field);
  border: 2px solid var(--line); }
button { margin-top: 1.5rem; border: 0; background: var(--main); color: var(--on-main);
  font-weight: 600; cursor: pointer; }
:focus-visible { outline: 3px solid var(--main); outline-offset: 2px; }
a { color: var(--main); }
p { margin: .5rem 0; }
.aside { color: var(--aside); }
.said, .wrong { border-left: 5px solid var(--main); padding: .25rem .75rem; font-weight: 600; }
.wrong { border-color: var(--wrong); color: var(--wrong); }
"""


class Field(NamedTuple):
    """One input of a form; `more` are attributes as HTML has them."""

    name: str
    label: str
    value: str = ""
    more: str = ""


def form(action: str, fields: Iterable[Field], button: str, hidden: str = "") -> str:
    """A form that posts its fields; `hidden` goes along as `after`."""
    inputs = "".join(
        f'<label for="{escape(one.name)}">{escape(one.label)}</label>'
        f'<input id="{escape(one.name)}" name="{escape(one.name)}" value="{escape(one.value)}" '
        f"required {one.more}>"
        for one in fields
    )
    kept = f'<input type="hidden" name="after" value="{escape(hidden)}">' if hidden else ""
    return (
        f'<form method="post" action="{escape(action)}">{inputs}{kept}'
        f"<button>{escape(button)}</button></form>"
    )


def line(text: str, look: str = "aside") -> str:
    """A paragraph: `aside`, `said` for an answer, `wrong` for a refusal, which is read aloud."""
    role = ' role="alert"' if look == "wrong" else ' role="status"' if look == "said" else ""
    return f'<p class="{look}"{role}>{escape(text)}</p>'


def link(href: str, text: str) -> str:
    """A paragraph that is a link to another page of ours."""
    return f'<p><a href="{escape(href)}">{escape(text)}</a></p>'


def page(title: str, *parts: str, status: int = 200) -> HTMLResponse:
    """A whole page. Nothing but its own style sheet may run or be loaded."""
    nonce = secrets.token_urlsafe(12)
    policy = (
        f"default-src 'none'; style-src 'nonce-{nonce}'; form-action 'self'; base-uri 'none'; "
        "frame-ancestors 'none'"
    )
    text = (
        '<!doctype html><html lang="en"><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)} · rimqc</title>"
        f'<style nonce="{nonce}">{_STYLE}</style>'
        f"<main><h1>{escape(title)}</h1>{''.join(parts)}</main></html>"
    )
    headers = {"content-security-policy": policy, "cache-control": "no-store"}
    return HTMLResponse(text, status, headers)
