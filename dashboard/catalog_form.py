"""The form of a catalog entry: typed, read, shown for what it would do, and only then kept."""

from collections.abc import Mapping, Sequence
from typing import Any

import frame
import signed_in
import streamlit as st
import words

from qc.catalog.catalog import Catalog
from qc.catalog.entries import Entry
from qc.ledger.ledger import now
from qc.people.roles import table_action
from qc.stations.here import here
from qc.views import catalog_forms
from qc.views.catalog_change import foreseen

SPARE_ROWS = 3
KEPT = "catalog-kept"


def edit(
    name: str,
    table: str,
    entry: Entry | None = None,
    fixed: Mapping[str, str] | None = None,
    offer: Mapping[str, Sequence[str]] | None = None,
) -> None:
    """A form for a new entry, or for a new version of one; says who may, where this person may not.

    `name` tells the form from others, `fixed` are values that are not asked for, and `offer`
    narrows a choice.
    """
    if not signed_in.allowed(table_action(table)):
        st.markdown(words.WHO_MAY[table_action(table)])
        return
    catalog = here().ledger.catalog()
    draft: dict[str, Any] = st.session_state.setdefault(f"draft {name}", {})
    if "shown" in draft:
        _confirm(name, table, entry, catalog, draft)
    else:
        _ask(name, table, entry, catalog, draft, fixed or {}, offer or {})


def freeze(stream: Mapping[str, Any]) -> None:
    """A form that freezes a baseline for a stream of `qc.views.drift`, from some of its batches."""
    names = ("model", "stage", "characteristic", "protocol")
    of = {name: stream.get(name) or "" for name in names}
    batches = [batch["batch"] for batch in reversed(stream["batches"])]
    with st.expander("Freeze a baseline: say which batches set the level"):
        edit("freeze " + " ".join(of.values()), "baseline", None, of, {"batches": batches})


def _ask(
    name: str,
    table: str,
    entry: Entry | None,
    catalog: Catalog,
    draft: dict[str, Any],
    fixed: Mapping[str, str],
    offer: Mapping[str, Sequence[str]],
) -> None:
    said = st.container()
    today = catalog.local_day(now())
    asked = [f for f in catalog_forms.form(catalog, table, entry, today) if f["name"] not in fixed]
    before = draft.get("typed", {})
    typed: dict[str, Any] = dict(fixed)
    with st.form(name):
        with st.container(horizontal=True):
            for field in asked:
                start = before.get(field["name"], field["start"])
                typed[field["name"]] = _input(name, field, start, offer.get(field["name"]))
        if table == "batch":
            rows = before.get("factors") or catalog_forms.factor_rows(catalog, entry)
            typed["factors"] = _factors(name, rows)
        if not st.form_submit_button("See what it does"):
            return
    found = catalog_forms.read(catalog, table, typed, entry)
    if isinstance(found, list):
        said.error(_listed("This is not kept yet.", catalog_forms.refusal(found)))
        return
    draft |= {"typed": typed, "shown": foreseen(catalog, found, now())}
    st.rerun()


def _input(form: str, field: Mapping[str, Any], start: Any, offered: Sequence[str] | None) -> Any:
    """One field, with what is expected beside it."""
    unit = f", in {field['unit']}" if field["unit"] else ""
    label = words.plain(field["label"] + unit + ("" if field["required"] else " (may be empty)"))
    key = f"{form} {field['name']}"
    if field["type"] == "text":
        return st.text_input(
            label, start, key=key, help=words.plain(field["help"]), placeholder=field["help"],
            width=616 if field["long"] else 300,
        )  # fmt: skip
    options = [code for code in offered or field["options"] if code in field["options"]]
    if field["type"] == "several":
        chosen = [code for code in start or [] if code in options]
        return st.multiselect(
            label, options, chosen, format_func=field["options"].get, key=key, select_all=False
        )
    index = options.index(start) if start in options else None if field["required"] else 0
    return st.selectbox(
        label, options, index, format_func=field["options"].get, key=key, width=300,
        placeholder="choose one",
    ) or ""  # fmt: skip


def _factors(form: str, rows: Sequence[tuple[str, str]]) -> list[tuple[str, str]]:
    """Rows of names and values, some of them spare."""
    st.markdown(
        "**Factors**: what the parts of this batch share, such as mould, resin lot, fibre lot or "
        "crew. Drift is searched for its cause among them, so keep to one name for one thing.",
        width=frame.TEXT_PX,
    )
    typed = []
    for i, (name, value) in enumerate([*rows, *[("", "")] * SPARE_ROWS]):
        with st.container(horizontal=True):
            typed.append(
                (
                    st.text_input(f"Factor {i + 1}", name, key=f"{form} name {i}", width=300),
                    st.text_input(
                        f"Its value, {words.plain(name)}" if name else f"Value {i + 1}", value,
                        key=f"{form} value {i}", width=300,
                    ),
                )
            )  # fmt: skip
    return [(name, value) for name, value in typed if name or value]


def _confirm(
    name: str, table: str, entry: Entry | None, catalog: Catalog, draft: dict[str, Any]
) -> None:
    """What the change would do, and the choice to keep it or go back to what was typed."""
    shown = draft["shown"]
    with st.container(border=True):
        st.markdown("**What this does**" if shown.news else "**Nothing to keep**")
        st.markdown("\n".join(f"- {words.plain(said)}" for said in shown.sentences))
        if shown.past:
            st.markdown(":orange[▲ Verdicts of days gone by may change.]")
        with st.container(horizontal=True):
            keep = shown.news and st.button("Keep it", key=f"{name} keep", shortcut="Ctrl+Enter")
            if st.button("Back to the form", key=f"{name} back", shortcut="Ctrl+Backspace"):
                del draft["shown"]
                st.rerun()
    if not keep:
        return
    found = catalog_forms.read(catalog, table, draft["typed"], entry)
    if isinstance(found, list):
        st.error(_listed("This cannot be kept any more.", catalog_forms.refusal(found)))
        return
    again = foreseen(catalog, found, now())
    if again != shown:
        draft["shown"] = again
        st.warning("The catalog has changed meanwhile. Look again at what this does.")
        st.button("Show it", key=f"{name} again")
        return
    with st.spinner("Keeping it, and judging anew what hangs on it …"):
        answer = signed_in.submit_entries([found])
    if answer["refusals"]:
        told = [f"{r['field']}: {r['value']}: {r['reason']}." for r in answer["refusals"]]
        st.error(_listed("This was refused.", told))
        return
    del st.session_state[f"draft {name}"]
    st.session_state[KEPT] = shown.sentences[0]
    st.rerun()


def _listed(head: str, sentences: Sequence[str]) -> str:
    return "\n".join([head, "", *(f"- {words.plain(said)}" for said in sentences)])


def say_what_was_kept() -> None:
    """The change kept just now, told once."""
    if kept := st.session_state.pop(KEPT, None):
        st.success(words.plain(f"Kept. {kept}"))
