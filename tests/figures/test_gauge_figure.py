"""The chart of a gauge's checks: as found apart from as left, failed apart from passed."""

from qc.figures import gauge


def check(day, error, found="as-found", limit=0.5):
    return {"at": f"2026-02-{day:02}T08:00:00Z", "error": error, "limit": limit, "found": found,
            "passes": abs(error) <= limit, "reference": "500 g", "nominal": 500,
            "reading": 500 + error}  # fmt: skip


CHECKS = [check(1, 0.1), check(2, 2.1), check(2, 0.0, "as-left"), check(3, -0.2, limit=0.3)]
SCALE = {"gauge": "S1", "unit": "g", "count": 9, "checks": CHECKS, "failures": []}


def test_as_found_as_left_and_failed_checks_differ_in_shape():
    drawn = gauge.figure(SCALE)
    marks = {t.name: (t.marker.symbol, list(t.y)) for t in drawn.data if t.mode == "markers"}
    assert marks == {
        "as found": ("circle", [0.1, -0.2]),
        "as found, failed": ("x", [2.1]),
        "as left": ("square-open", [0.0]),
    }


def test_the_error_allowed_is_drawn_on_both_sides_as_it_was_at_each_check():
    upper, lower = (list(t.y) for t in gauge.figure(SCALE).data if t.mode == "lines")
    assert upper == [0.5, 0.5, 0.5, 0.3]
    assert lower == [-0.5, -0.5, -0.5, -0.3]


def test_the_figure_in_words_names_the_newest_and_the_failed_ones():
    said = gauge.alt_text(SCALE)
    assert "the newest 4 of 9, 1 failed" in said
    assert "Newest: 2026-02-03, error -0.2 g of 0.3 g allowed" in said
    assert "Failed: 2026-02-02 by 2.1 g" in said


def test_a_gauge_never_checked_says_so():
    empty = SCALE | {"checks": [], "count": 0}
    assert "none yet" in gauge.alt_text(empty)
    assert gauge.figure(empty).layout.annotations[0].text.startswith("No check of this gauge")
