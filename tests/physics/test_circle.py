"""Least-squares circles, against a published example and exact geometry."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.physics.circle import fit_circle, fitted_circle

REFERENCE = Path(__file__).parents[1] / "reference"

places = st.floats(min_value=-1000, max_value=1000)


def test_the_six_points_of_gander_golub_and_strebel():
    # BIT 34 (1994): centre (4.7398, 2.9835), radius 4.7142 (from memory, answer reproduced)
    known = json.loads((REFERENCE / "circle_fit_gander.json").read_text(encoding="utf-8"))
    circle = fit_circle(known["data"]["x"], known["data"]["y"])
    published = known["published"]["geometric"]
    assert (circle.x_mm, circle.y_mm) == pytest.approx(published["centre"], abs=5e-5)
    assert circle.radius_mm == pytest.approx(published["radius"], abs=5e-5)
    span = known["computed_here"]["geometric"]["peak_to_valley"]
    assert circle.out_of_roundness_mm == pytest.approx(span, abs=1e-7)


def test_a_true_circle_off_centre_is_round():
    # geometry, exact: radius 311 mm, centre 0.5 mm off at 30 degrees
    known = json.loads((REFERENCE / "lsc_eccentric_circle.json").read_text(encoding="utf-8"))
    rows = list(csv.DictReader((REFERENCE / "lsc_eccentric_circle.csv").read_text().splitlines()))
    circle = fitted_circle(
        [float(row["angle_deg"]) for row in rows], [float(row["radius"]) for row in rows]
    )
    computed = known["computed_here"]
    assert (circle.x_mm, circle.y_mm) == pytest.approx(computed["lsc_centre"], abs=1e-8)
    assert circle.radius_mm == pytest.approx(computed["lsc_radius"], abs=1e-8)
    assert circle.out_of_roundness_mm == pytest.approx(0, abs=2e-9)


@given(
    places, places, st.floats(min_value=1, max_value=1000), st.floats(min_value=90, max_value=350)
)
def test_a_quarter_of_a_circle_or_more_gives_it_back(x, y, radius, arc_deg):
    angles = np.radians(np.linspace(0, arc_deg, 12))
    circle = fit_circle(x + radius * np.cos(angles), y + radius * np.sin(angles))
    assert circle[:3] == pytest.approx((x, y, radius), abs=1e-7)
    assert circle.out_of_roundness_mm == pytest.approx(0, abs=1e-7)


@pytest.mark.parametrize("points", [[(0, 0), (1, 1), (2, 2), (5, 5)], [(0, 0), (1, 1)]])
def test_points_on_a_line_have_no_circle(points):
    x, y = zip(*points, strict=True)
    with pytest.raises(ValueError, match="points: must not lie on a line, got"):
        fit_circle(x, y)
