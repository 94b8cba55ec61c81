"""The dashboard's entry: which screens there are, and the frame around them."""

import os
import sys
from pathlib import Path

import streamlit as st

# the modules beside this script are found by their place, wherever it was installed
if (_here := str(Path(__file__).parent)) not in sys.path:
    sys.path.insert(0, _here)

from qc.errors import RimqcError

st.set_page_config(page_title="rimqc", page_icon="⭕", layout="wide")
if "RIMQC_DB" not in os.environ:
    st.error("Start the dashboard with `rimqc serve`, which says what database it shows.")
    st.stop()
page = st.navigation(
    {
        "": [st.Page("screens/today.py", title="Today", default=True)],
        "Work": [
            st.Page("screens/intake.py", title="Take in"),
            st.Page("screens/strike.py", title="Impact drops"),
            st.Page("screens/enter.py", title="Other records"),
            st.Page("screens/gauges.py", title="Gauges"),
        ],
        "Judge": [
            st.Page("screens/decide.py", title="Holds and decisions"),
            st.Page("screens/claims.py", title="Claimed and measured"),
            st.Page("screens/margins.py", title="Impact margins"),
            st.Page("screens/drift.py", title="Drift"),
            st.Page("screens/findings.py", title="What looks found"),
        ],
        "Look up": [
            st.Page("screens/part.py", title="One part"),
            st.Page("screens/touched.py", title="Parts touched"),
            st.Page("screens/scale.py", title="On the scale"),
        ],
        "Keep": [
            st.Page("screens/mend.py", title="Correct a record"),
            st.Page("screens/catalog.py", title="Catalog"),
            st.Page("screens/people.py", title="People"),
        ],
    },
    position="top",
)
try:
    page.run()
except RimqcError as error:
    st.error(str(error), title="This could not be read")
