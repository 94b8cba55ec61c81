"""At the drop rig: one part, drop after drop."""

import frame
import streamlit as st
from desk import desk

from qc.views import entry_forms

st.title("Impact drops")
desk(entry_forms.strike())
frame.terms("survived multiple", "failed by", "struck before")
frame.caution()
