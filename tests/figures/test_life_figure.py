"""One part's line of time, and the strip of factors below a drift chart."""

from typing import Any

import pytest

from qc.figures import drift, drift_strip, life
from qc.figures.look import COLOURS, MOST_POINTS
from tests.figures.test_figures import MOVED, stream


def event(lane: str, day: int, kind: str, until: int | None = None) -> dict[str, Any]:
    return {"lane": lane, "at": f"2026-03-{day:02}T08:00:00", "what": f"{kind} it", "kind": kind,
            "until": f"2026-03-{until:02}T08:00:00" if until else None}  # fmt: skip


def flag(closed: str | None) -> dict[str, Any]:
    return {"name": "weight over claim", "severity": "major", "message": "heavy",
            "raised_at": "2026-03-02T08:00:00", "closed_at": closed,
            "closed_by": "release" if closed else None}  # fmt: skip


LIVED = {
    "serial": "K-1", "status": "shipped", "zone": "Europe/Lisbon",
    "events": [event("came in", 1, "receipt"), event("struck", 3, "drop", 5),
               event("left or back", 9, "shipment")],
    "flags": [flag("2026-03-04T08:00:00"), flag(None)],
}  # fmt: skip


def test_the_title_says_how_long_it_took_and_what_is_still_open() -> None:
    assert life.title(LIVED) == (
        "K-1: shipped 8 days after its first record, 2 flags raised, 1 still open"
    )
    quiet = LIVED | {"events": LIVED["events"][:1], "flags": []}
    assert (
        life.title(quiet) == "K-1: the same day from its first to its newest record, no flag ever"
    )


def test_events_have_a_line_each_and_flags_run_from_raised_to_closed() -> None:
    drawn = life.figure(LIVED)
    assert drawn.layout.yaxis.ticktext[:3] == ("came in", "struck", "left or back")
    closed, still_open = drawn.data[-2:]
    assert list(closed.x) == ["2026-03-02T08:00:00", "2026-03-04T08:00:00"]
    assert (closed.line.dash, still_open.line.dash) == (None, "dot")
    assert still_open.x[1] == "2026-03-09T08:00:00"
    assert "Europe/Lisbon" in drawn.layout.xaxis.title.text


@pytest.mark.parametrize("look", COLOURS)
def test_a_part_with_nothing_recorded_says_so(look: str) -> None:
    empty = LIVED | {"events": [], "flags": []}
    assert "Nothing has been recorded" in life.figure(empty, look).layout.annotations[0].text


def runs(*levels: str) -> list[dict[str, Any]]:
    return [{"level": level, "start": i, "end": i} for i, level in enumerate(levels)]


RESIN = {"factor": "resin_lot", "levels": 2, "runs": [
    {"level": "RESIN-2026-01", "start": 0, "end": 11},
    {"level": "RESIN-2026-02", "start": 12, "end": 14},
]}  # fmt: skip
MOULD = {"factor": "mould", "levels": 2, "runs": runs(*(["A", "B"] * 7))}
CAUSE = {"factor": "resin_lot", "level": "RESIN-2026-02", "group": 1, "p": 0.01,
         "first_batch": "B012"}  # fmt: skip


def bars(figure: Any) -> list[Any]:
    return [trace for trace in figure.data if trace.type == "bar"]


def test_bands_stand_under_their_batches_and_long_codes_lose_what_all_share() -> None:
    (resin,) = bars(drift.figure(MOVED | {"factors": [CAUSE]}, strip=[RESIN]))
    assert (list(resin.base), list(resin.x)) == ([-0.5, 11.5], [12, 3])
    assert resin.text == ("…1", "◆ …2")
    assert "resin lot RESIN-2026-02</b><br>batches B012 to B014" in resin.hovertext[1]


def test_a_level_is_marked_only_where_the_search_names_it() -> None:
    chance = CAUSE | {"p": 0.6}
    (resin,) = bars(drift.figure(MOVED | {"factors": [chance]}, strip=[RESIN]))
    assert resin.text == ("…1", "…2")


def test_levels_that_take_turns_have_a_line_each_below_the_name_of_their_factor() -> None:
    figure = drift.figure(MOVED, strip=[RESIN, MOULD])
    assert figure.layout.yaxis2.ticktext == ("B", "A", "mould:", "resin lot")
    assert figure.layout.xaxis.anchor == "y2"
    assert figure.layout.yaxis.domain[0] > figure.layout.yaxis2.domain[1]


def test_a_factor_that_changes_too_often_is_named_and_not_drawn() -> None:
    oven = {"factor": "oven", "levels": 9, "runs": runs(*(f"O{i % 9}" for i in range(900)))}
    assert drift_strip.left_out([RESIN, oven]) == ["oven"]


def test_of_thousands_of_batches_chart_and_strip_stay_a_bounded_number_of_points() -> None:
    many = stream([430.0] * 5000)
    turns = [{"factor": f"f{n}", "levels": 3, "runs": runs(*("abc"[i % 3] for i in range(1000)))}
             for n in range(3)]  # fmt: skip
    figure = drift.figure(many, strip=turns)
    assert len(drift.drawn_batches(many)) == drift.MOST_BATCHES
    assert sum(len(trace.x) for trace in figure.data) <= MOST_POINTS
