"""The catalog: what is promised, allowed and asked for, since when, and who said so."""

import catalog_form
import catalog_rows
import frame
import signed_in
import streamlit as st
import words

from qc.catalog.toml_out import toml_text
from qc.ledger.ledger import now
from qc.people.roles import table_action
from qc.stations.here import here
from qc.views import catalog as view
from qc.views.catalog_words import TABLES

PAGE = 50
ALL, NEW = "all of them", "a new one"

st.title("Catalog")
ledger = here().ledger
catalog = ledger.catalog()
if not catalog.recorded:
    st.info(
        "Nothing is in the catalog yet. Enter a model and its claims here, or write a "
        "`catalog.toml` and `rimqc import` it."
    )
table_of = {plural: table for table, (_, plural) in TABLES.items()}
with st.container(horizontal=True):
    table = table_of[frame.choose("what", list(table_of))]
    rows = view.listed(catalog, table, catalog.local_day(now()))
    by_name = {row["entry"]: row for row in rows}
    chosen = frame.choose("entry", [ALL, NEW, *by_name])
one, many = TABLES[table]
catalog_form.say_what_was_kept()

if chosen == NEW:
    st.header(f"A new {one}")
    catalog_form.edit(f"new {table}", table)
elif chosen == ALL:
    st.header(f"{many}: {len(rows)}")
    st.markdown(words.CATALOG[table], width=frame.TEXT_PX)
    first = frame.page(len(rows), PAGE)
    if rows:
        frame.table(catalog_rows.entries(table, rows[first : first + PAGE]), many)
    if signed_in.allowed(table_action(table)):
        frame.link("catalog", f"Enter a new {one}", {"what": many, "entry": NEW})
    st.download_button(
        "The whole catalog as a file",
        lambda: toml_text(view.everything(catalog)),
        "catalog.toml",
        "application/toml",
        on_click="ignore",
    )
else:
    key = by_name[chosen]["key"]
    st.header(words.plain(f"{one.capitalize()} {chosen}"))
    with ledger.reading() as connection:
        versions = view.versions_of(connection, catalog, key)
    zone = str(catalog.zone) if catalog.zone else None
    frame.table(catalog_rows.versions(versions, zone), f"Every version of {chosen}")
    st.header("Enter a new version")
    newest = catalog.versions[key][-1].entry
    catalog_form.edit(" ".join(key), table, newest)
frame.terms("version", "holds from", "source", "guarded", "baseline")
frame.caution()
