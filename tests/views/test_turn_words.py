"""What is said of a turn: the likely cause, how sure that is, and what to try."""

import math

import pytest

from qc.views.turn_words import brief, parts, sentences


def wave(k, n=36, size=0.2, high=0.0):
    return [size * math.cos(math.radians(k * (360 * i / n - high))) for i in range(n)]


def turn(readings, stage="rim", direction="radial"):
    return {"stage": stage, "direction": direction, "readings_mm": readings}


@pytest.mark.parametrize(
    ("k", "stage", "direction", "likely", "to_do"),
    [
        (1, "rim", "lateral", "the set-up, how the rim sits on the stand", "half round"),
        (1, "rear-wheel", "radial", "off centre by 0.20 mm", "tighten the spokes a little round"),
        (1, "front-wheel", "lateral", "rim or axle out of square", "bearings have no play"),
        (2, "rim", "radial", "likely oval", "rims of the same mould"),
        (2, "rim", "lateral", "bent like a saddle", "flat table"),
        (2, "rear-wheel", "radial", "likely oval", "the bare rim's own turn"),
    ],
)
def test_the_shape_of_a_turn_is_put_into_words_with_what_to_try(k, stage, direction, likely, to_do):
    said, tried = sentences(turn(wave(k), stage, direction))
    assert likely in said
    assert tried.startswith("Try: ")
    assert to_do in tried


def test_spokes_are_tightened_where_the_wheel_stands_high_and_loosened_opposite():
    _, tried = sentences(turn(wave(1, high=250), "front-wheel"))
    assert "round 250° and loosen them as much round 70°" in tried


@pytest.mark.parametrize(
    ("at", "place"), [(0, "at the valve hole"), (18, "where a joint often lies"), (9, "")]
)
def test_a_bump_is_named_with_its_place_and_what_a_rim_has_there(at, place):
    readings = [0.0] * 36
    readings[at] = 0.3
    said = sentences(turn(readings))[0]
    assert f"bump of 0.30 mm at {10 * at}°" in said
    assert place in said
    assert ("valve" in said) == (place != "")


def test_what_is_left_without_the_set_up_is_said_too():
    both = [a + b for a, b in zip(wave(1), wave(2, size=0.1), strict=True)]
    said = sentences(turn(both))
    assert "set-up" in said[0]
    assert said[2].startswith("Without that: mostly twice a turn, highest at 0° and 180°")


def test_a_turn_with_few_readings_is_a_hint_only():
    assert "Only 12 readings: a hint, no more." in sentences(turn(wave(1, 12)))[1]


def test_a_turn_that_shows_nothing_says_so():
    waves = [sum(three) for three in zip(wave(1), wave(2), wave(3), strict=True)]
    assert "No single cause stands out" in sentences(turn(waves))[0]
    assert sentences(turn([0.0] * 36)) == ["Hardly any run-out: nothing stands out."]
    assert brief(turn(waves)) == "no single cause stands out"


def test_the_parts_of_a_turn_add_up_to_the_mean_square():
    rows = {row["part"]: row for row in parts(turn(wave(1, size=0.2, high=40)))}
    assert rows["once a turn"]["swing_mm"] == pytest.approx(0.4)
    assert rows["once a turn"]["at_deg"] == pytest.approx(40)
    assert rows["once a turn"]["share"] + rows["twice a turn"]["share"] == pytest.approx(1)
