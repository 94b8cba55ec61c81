"""The entry component: our own inputs, which keep what is typed whatever the page does."""

from typing import Any

import cached
import streamlit as st

from qc.resources import folder

_FILES = folder("dashboard") / "components"
# as text; its other modules come from our own route, so that they can import each other
_component = st.components.v2.component(
    "rimqc_desk",
    js=(_FILES / "mount.js").read_text(encoding="utf-8"),
    css=(_FILES / "desk.css").read_text(encoding="utf-8"),
)


def desk(form: dict[str, Any]) -> None:
    """Show a form of `qc.views.entry_forms` and let it work on its own."""
    settings = cached.settings()
    if not settings["gauges"]:
        st.info(
            "Nothing can be entered yet, for the catalog names no gauge and no batch. Take it in "
            "first: `rimqc import catalog.toml`."
        )
        st.stop()
    data = {"form": form, "settings": settings, "base": "/entry"}
    _component(key=f"desk-{form['name']}", data=data)
