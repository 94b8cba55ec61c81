"""Two hundred rims at the intake screen in slow, quick and uneven rhythms, with cuts, answers that
never arrive, reloads in the middle of a part, and a server that is killed and started again.

    python tests/bench/intake_rhythms.py [parts]

Prints the keystrokes a part beyond the scan (limit 25), what is missing, double or wrong in the
journal (limit: nothing), and the time from Enter to the verdict (limit: median 100 ms).
"""

import random
import statistics
import sys
import tempfile
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[2]))

from qc.commands import main as rimqc
from qc.ledger.ledger import Ledger
from tests.dashboard import entering, shop
from tests.dashboard.served import BROWSER_OPTIONS, browser_path
from tests.dashboard.serving_again import Serving


def run(parts: int) -> int:
    chance = random.Random(4)
    with tempfile.TemporaryDirectory() as place:
        url = f"sqlite:///{place}/a.sqlite"
        shop.take_in(url, shop.files(Path(place) / "logs"))
        planned = entering.plan(parts, chance)
        serving = Serving(url, Path(place))
        from playwright.sync_api import sync_playwright

        try:
            with sync_playwright() as playwright:
                browser = playwright.chromium.launch(
                    executable_path=browser_path(), args=BROWSER_OPTIONS
                )
                page = browser.new_page()
                print_faults = _enter_all(page, planned, chance, serving)
        finally:
            serving.stop()
        with Ledger(url) as ledger:
            wrong = entering.faults(ledger, planned)
        print(f"wrong, missing or double: {len(wrong)} (limit 0)", *wrong[:10], sep="\n  ")
        sound = rimqc(["--db", url, "verify"])
    return int(bool(wrong) or bool(print_faults) or bool(sound))


def _enter_all(
    page: Any, planned: list[entering.Planned], chance: random.Random, serving: Any
) -> bool:
    entering.open_intake(page, serving.address)
    page.evaluate(entering.WATCH)
    beats = entering.rhythms(chance)
    times: list[float] = []
    happened: dict[str, int] = {}
    share = -(-len(planned) // len(beats))
    for number, part in enumerate(planned):
        rhythm = beats[number // share]
        fault = {3: "cut", 9: "lost answer", 15: "reload", 21: "kill"}.get(number % 25)
        if fault:
            happened[fault] = happened.get(fault, 0) + 1
            times += page.evaluate("window.seen.splice(0)")
            _with_fault(page, part, rhythm, fault, serving)
        else:
            entering.enter_part(page, part, rhythm)
    entering.wait_until_sent(page)
    times += page.evaluate("window.seen")
    keys = [count for beat in beats for count in beat.typed]
    print(f"{len(planned)} parts; " + ", ".join(f"{n} × {name}" for name, n in happened.items()))
    print(f"keys a part beyond the scan: {statistics.mean(keys):.1f}, most {max(keys)} (limit 25)")
    median, most = statistics.median(times), max(times)
    print(
        f"Enter to verdict: median {median:.0f} ms, most {most:.0f} ms of {len(times)} (limit 100)"
    )
    return max(keys) > 25 or median > 100


def _with_fault(
    page: Any, part: entering.Planned, rhythm: entering.Rhythm, fault: str, serving: Any
) -> None:
    if fault == "cut":
        page.context.set_offline(True)
        entering.enter_part(page, part, rhythm)
        page.wait_for_timeout(400)
        page.context.set_offline(False)
    elif fault == "lost answer":  # it reaches the server, and the answer is lost

        def lose(route: Any) -> None:
            route.fetch()
            route.abort()

        page.route("**/entry/records", lose, times=2)
        entering.enter_part(page, part, rhythm)
    elif fault == "reload":  # with a weight typed and not yet entered
        first, *rest = part.fields()
        entering.type_at(page, f"{part.serial}\n{first[:-1]}", rhythm)
        page.reload()
        entering.wait_for_desk(page)
        page.evaluate(entering.WATCH)
        entering.type_at(page, "\n", rhythm)
        rhythm.typed.append(len(first) + sum(entering.type_at(page, k, rhythm) for k in rest))
    else:
        serving.kill()
        entering.enter_part(page, part, rhythm)
        serving.start()


if __name__ == "__main__":
    sys.exit(run(int(sys.argv[1]) if len(sys.argv) > 1 else 200))
