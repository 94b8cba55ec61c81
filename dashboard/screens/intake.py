"""Rims come in: weighed, spun, looked at, part by part or batch by batch."""

import frame
import streamlit as st
from desk import desk

from qc.views import entry_forms

st.title("Take in")
desk(entry_forms.intake())
frame.terms("bare mass", "claim", "TIR", "form", "undecided")
frame.caution()
