"""Pictures of every screen, on the invented maker's logs: `python -m tests.screenshots [FOLDER]`.

Written as NAME.png into the folder, by default `dashboard/pictures`. `--look dark`, `--width 390`
and `--whole` (the whole screen, not what fits a window) are for looking it over.
"""

import argparse
import tempfile
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright

from qc.commands import main as rimqc
from qc.resources import folder
from tests.dashboard.served import BROWSER_OPTIONS, DRAWN, browser_path, served

SCREENS = {
    "today": "/",
    "claims": "/claims?model=45D&stage=rim",
    "margins": "/margins?protocol=impact-repeat&model=65R",
    "drift": "/drift?model=45D&stage=rim&characteristic=bare-mass",
    "part": "/part?serial=45D-20-01",
    "findings": "/findings?model=45D",
    "scale": "/scale?serial=45D-20-01",
    "touched": "/touched?factor=resin_lot&level=R45-5",
    "decide": "/decide?on=45D-20",
    "gauges": "/gauges",
    "intake": "/intake",
    "strike": "/strike",
    "catalog": "/catalog",
    "enter": "/enter?record=Look+at+a+part",
    "mend": "/mend?code=45D-20-01",
    "people": "/people",
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("into", nargs="?", type=Path, default=folder("dashboard") / "pictures")
    parser.add_argument("--look", choices=("light", "dark"), default="light")
    parser.add_argument("--width", type=int, default=1440)
    parser.add_argument("--whole", action="store_true")
    args = parser.parse_args()
    args.into.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as place, sync_playwright() as playwright:
        db = f"sqlite:///{place}/demo.sqlite"
        rimqc(["--db", db, "import", str(folder("sample_logs"))])
        browser = playwright.chromium.launch(executable_path=browser_path(), args=BROWSER_OPTIONS)
        with served(db) as address:
            for name, path in SCREENS.items():
                take(browser, address + path, args.into / f"{name}.png", args)
        browser.close()


def take(browser: Browser, address: str, file: Path, args: argparse.Namespace) -> None:
    """Open an address, wait until it is drawn, and write its picture."""
    page = browser.new_page(
        viewport={"width": args.width, "height": 900}, color_scheme=args.look
    )  # fmt: skip
    page.goto(address)
    page.get_by_role("heading", level=1).wait_for()
    page.wait_for_function(DRAWN)
    if args.whole:
        tall = page.evaluate("document.querySelector('[data-testid=stMain]').scrollHeight")
        page.set_viewport_size({"width": args.width, "height": min(tall, 4000)})
    page.wait_for_timeout(1000)  # figures take their size, fonts arrive
    page.screenshot(path=file)
    page.close()
    print(f"{file} ({file.stat().st_size // 1024} kB)")


if __name__ == "__main__":
    main()
