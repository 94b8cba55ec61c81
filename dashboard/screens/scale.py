"""One part on the scale, in figures that a visitor reads from across the room."""

from html import escape
from typing import Any

import cached
import frame
import streamlit as st
import words

from qc.figures.words import amount, signed, stage_name

BIG = "font-size: clamp(3rem, 13vw, 10rem); line-height: 1.1; font-variant-numeric: tabular-nums"
MIDDLE = "font-size: clamp(1.2rem, 3vw, 2.2rem); margin: 0.2em 0"

st.title("On the scale")
serial = st.text_input(
    "Serial", key="serial", bind="query-params", width=320, max_chars=64,
    placeholder="empty: whatever was weighed last",
).strip()  # fmt: skip


@st.fragment(run_every="2s")
def shown() -> None:
    """The newest weighing, looked for again while somebody stands at the scale."""
    of = serial or cached.newest_weighed()
    found = cached.weighed(of) if of else None
    if found is None:
        st.info(
            f"No weighing of {words.plain(of)} is held."
            if of
            else "Nothing has been weighed yet. Weigh a part under Take in, or take in the logs of "
            "your scales: `rimqc import FOLDER`."
        )
        return
    lines = [
        f"{words.when(found['at'], cached.zone())}, {stage_name(found['stage'])} {of}",
        f"scale shows {amount(found['gross_g'], 'g', 6)}",
        *(
            f"less {row['count']} × {row['code']}, {amount(row['each_g'], 'g', 4)} each: "
            f"{amount(row['together_g'], 'g', 5)}"
            for row in found["taken_off"]
        ),
    ]
    said = "".join(f'<p style="{MIDDLE}">{escape(line)}</p>' for line in lines)
    said += f'<p style="{MIDDLE}">bare mass, as weighed in air</p>'
    st.html(f'{said}<p style="{BIG}">{amount(found["bare_g"], "g", 6)}</p>{_claimed(found)}')


def _claimed(found: dict[str, Any]) -> str:
    if "claimed_g" not in found:
        return f'<p style="{MIDDLE}">No claim covers it.</p>'
    mark = {"over": "▲ above what is allowed", "under": "▼ below what is allowed"}.get(
        found["beyond"], "✓ as claimed"
    )
    claimed = f"claimed {amount(found['claimed_g'], 'g', 6)}"
    band = f"(+{found['over_g']} −{found['under_g']} g)"
    difference = signed(found["difference_g"], "g")
    twice = f"± {amount(2 * found['u_g'], 'g', 2)} (twice the standard uncertainty)"
    lines = (f"{claimed} {band}", f"difference {difference} {twice} · {mark}")
    return "".join(f'<p style="{MIDDLE}">{escape(line)}</p>' for line in lines)


shown()
frame.terms("bare mass", "claim")
