"""People: who is signed in; for an owner who may, as what, and with which gauges."""

import frame
import people_forms
import signed_in
import streamlit as st
import words

from qc.ledger.ledger import now
from qc.people import accounts, sessions, tokens
from qc.stations.here import here

st.title("People")
person = signed_in.person()
st.markdown(words.plain(f"You are {person.name} ({person.code}), {person.role}."))
if here().anyone is None:
    style = 'href="/account" target="_self" style="color: inherit"'
    st.html(f"<a {style}>Your password, your PIN, signing out</a>")
if not signed_in.allowed("manage-people"):
    st.info("Accounts, roles and stations are looked after by an owner.")
    st.stop()

with here().ledger.reading() as connection:
    everybody = accounts.people(connection)
    signed = sessions.open_sessions(connection, now())
    granted = accounts.gauge_grants(connection)
    stations = tokens.stations(connection)
people_forms.say_what_was_done()

st.header("Accounts")
rows = people_forms.account_rows(everybody, signed)
if rows:
    frame.table(rows, "Accounts with their roles")
with st.container(horizontal=True, vertical_alignment="top"):
    with st.expander("A new account"):
        people_forms.add()
    if everybody:
        with st.expander("Change an account"):
            people_forms.change(everybody)

st.header("Signed in now")
if signed:
    frame.table(people_forms.session_rows(signed), "Who is signed in where")
else:
    st.markdown("Nobody is signed in.")

st.header("Gauges and rigs kept for some")
if granted:
    frame.table(people_forms.grant_rows(granted), "Gauges and who may use them")
else:
    st.markdown("Everybody may use every gauge and rig.")
with st.expander("Say who may use a gauge or rig"):
    people_forms.keep_gauge(everybody, granted)

st.header("Stations")
st.markdown(words.STATIONS, width=frame.TEXT_PX)
if stations:
    frame.table(people_forms.station_rows(stations), "Tokens that were given")
with st.container(horizontal=True, vertical_alignment="top"):
    with st.expander("A new token"):
        people_forms.add_station()
    standing = sorted({one["station"] for one in stations if one["revoked_at"] is None})
    if standing:
        with st.expander("End a station's tokens"):
            people_forms.end_station(standing)
frame.terms("station", "role", "one-time code")
