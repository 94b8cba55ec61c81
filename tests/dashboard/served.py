"""The dashboard as a process of its own, and a browser to look at it."""

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")
BROWSER_OPTIONS = [
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
]
# true once nothing on the screen is still being fetched or drawn
DRAWN = """() => !document.querySelector('[data-testid=stSkeleton]')
  && document.querySelector('[data-testid=stApp]').dataset.testScriptState == 'notRunning'
  && [...document.querySelectorAll('[data-testid=stPlotlyChart]')]
     .every(chart => chart.querySelector('.main-svg'))"""
# nothing has to be moved sideways to be seen
FITS = """width => [document.documentElement, document.querySelector('[data-testid=stMain]')]
  .every(box => box.scrollWidth <= width)"""
# browsers of today let keys reach a box that scrolls, which this rule does not know
_NOT_ASKED = {"scrollable-region-focusable": {"enabled": False}}
_MAIN = "import sys; from qc.commands import main; sys.exit(main(sys.argv[1:]))"
# as `rimqc demo` serves: nobody signs in, this machine only
_OPEN = """\
import sys
from qc.stations.here import VISITOR
from qc.stations.server import Place, serve
sys.exit(serve(sys.argv[1], Place(port=0), anyone=VISITOR))
"""


def rimqc(*arguments: str) -> list[str]:
    """The command line of `rimqc` with this Python."""
    return [sys.executable, "-c", _MAIN, *arguments]


@contextmanager
def served(db: str, folder: Path | None = None) -> Iterator[str]:
    """The address of a dashboard without sign-in on a free port, started from a folder."""
    with started([sys.executable, "-c", _OPEN, db], folder) as address:
        yield address


@contextmanager
def started(command: list[str], folder: Path | None = None) -> Iterator[str]:
    """The address that a serving command prints; it ends with the context."""
    process = subprocess.Popen(
        command, cwd=folder, text=True,
        stdout=subprocess.PIPE, env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])},
    )  # fmt: skip
    assert process.stdout
    try:
        said = process.stdout.readline()
        found = re.search(r"http://127\.0\.0\.1:\d+", said)
        assert found, f"no address in {said!r}"
        yield found[0]
    finally:
        process.terminate()
        process.wait(30)
        process.stdout.close()


def browser_path() -> str | None:
    """A Chromium of this machine."""
    return next(filter(None, map(shutil.which, BROWSERS)), None)


def serious_faults(page: Any) -> list[str]:
    """What axe-core finds serious or critical on a page (WCAG 2.2, level AA), contrast included."""
    from axe_playwright_python.sync_playwright import Axe

    # Streamlit's own menu on a phone puts boxes between a list and its items
    ours = {"exclude": [["[data-testid=stSidebarNav]"]]}
    found = Axe().run(page, context=ours, options={"rules": _NOT_ASKED}).response["violations"]
    return [
        f"{rule['id']}: {node['html'][:200]} {node['failureSummary']}"
        for rule in found
        if rule["impact"] in ("serious", "critical")
        for node in rule["nodes"]
    ]
