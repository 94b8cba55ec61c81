"""How long every screen's script and every JSON command takes, in a small and in a large shop.

    python tests/bench/screens.py SMALL_DB LARGE_DB [--repeats 3]

Databases as `tests/bench/big_shop.py` and `rimqc import` make them. A screen is timed without
Streamlit's caches, once it and its libraries were loaded; a command as a process of its own. The
limits: 1.5 times the small shop, and half a second for a screen.
"""

import argparse
import contextlib
import gc
import io
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.bench.row import row

TIMES, SECONDS = 1.5, 0.5
MAIN = "import sys; from qc.commands import main; sys.exit(main(sys.argv[1:]))"
SCREENS = {
    "today": {}, "claims": {"model": "D50", "stage": "rim"},
    "margins": {"protocol": "hits", "model": "D50"},
    "drift": {"model": "D50", "stage": "rim", "characteristic": "bare-mass"},
    "findings": {"model": "D50"}, "part": {"serial": "S0000211"},
    "touched": {"factor": "mould", "level": "M0"}, "decide": {"on": "B00001"}, "gauges": {},
    "mend": {"code": "S0000211"}, "scale": {}, "intake": {}, "strike": {}, "catalog": {},
    "people": {}, "enter": {"record": "Balance a wheel"},
}  # fmt: skip
COMMANDS = ("flags", "claims", "margins", "drift", "trace S0000211", "trace --where mould=M0")


def least(repeats: int, run: Callable[[], Any]) -> float:
    found = []
    for _ in range(repeats):
        began = time.perf_counter()
        run()
        found.append(time.perf_counter() - began)
    return min(found)


def screen(db: str, name: str, repeats: int) -> float:
    """Seconds of a screen's script, its answers asked anew each time."""
    import streamlit as st
    from streamlit.testing.v1 import AppTest

    from qc.resources import folder
    from qc.stations import here
    from qc.stations.here import VISITOR

    os.environ["RIMQC_DB"] = db
    here.opened(db, VISITOR)
    app = AppTest.from_file(str(Path(folder("dashboard")) / "app.py"), default_timeout=300)
    app.query_params.update(SCREENS[name])
    app.run()
    app.query_params.update(SCREENS[name])

    def once() -> None:
        st.cache_data.clear()
        ran = app.run() if name == "today" else app.switch_page(f"screens/{name}.py").run()
        assert not ran.exception, (name, ran.exception)

    once()
    return least(repeats, once)


def command(db: str, words: str, repeats: int) -> float:
    """Seconds of a command as a process."""
    line = [sys.executable, "-c", MAIN, "--db", db, *words.split(), "--format", "json"]
    return least(repeats, lambda: subprocess.run(line, check=True, stdout=subprocess.DEVNULL))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("small")
    parser.add_argument("large")
    parser.add_argument("--repeats", type=int, default=3)
    args = parser.parse_args()
    gc.set_threshold(20_000, 10, 3)  # as the program does
    asked: list[tuple[str, Callable[[str, str, int], float], float]] = [
        *((name, screen, SECONDS) for name in SCREENS),
        *((words, command, float("inf")) for words in COMMANDS),
    ]
    for name, measure, most in asked:
        with contextlib.redirect_stderr(io.StringIO()):
            small = measure(args.small, name, args.repeats)
            large = measure(args.large, name, args.repeats)
        late = f" (**over {most} s**)" if large > most else ""
        print(row(name + late, large, small, TIMES), flush=True)


if __name__ == "__main__":
    main()
