"""Everything else that is recorded: a look, balance, a measurement, a build, a gauge check."""

import frame
import streamlit as st
from desk import desk

from qc.views import entry_forms

st.title("Other records")
forms = {form["title"]: form for form in entry_forms.others()}
chosen = frame.choose("record", list(forms))
desk(forms[chosen])
frame.terms("held", "in doubt")
frame.caution()
