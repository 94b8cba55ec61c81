"""Impact tests: what a part survived and by where it had failed.

The protocols here are the maker's own rule; that a standard load is counted in hits or raised in
rungs is common practice, no source. 4 kg from 1 m carry 39.2266 J at standard gravity.
"""

import re
from decimal import Decimal
from fractions import Fraction
from typing import Any, NamedTuple

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc.catalog.entries import Protocol
from qc.judgement.impact import evaluate, nearest_position
from qc.judgement.readings import Doubt
from qc.records.rules import DAMAGE
from tests.judgement.bench import at, catalog, judge, open_flags, record, the_flag


def protocol(method: str = "repeat", **more: Any) -> Protocol:
    usual: dict[str, Any] = {
        "code": "P1", "stage": "rim", "standard_energy_j": Decimal("39.2266"),
        "required_multiple": Decimal(2), "method": method,
        "positions_deg": (Decimal(0), Decimal(180)), "fails_at": "crack",
    }  # fmt: skip
    return Protocol(**usual | more)


REPEAT, STEP = protocol(), protocol("step")


def drops(text: str) -> list[Any]:
    """Drops written as `angle`, `*multiple` of the standard height, and a damage; each optional.

    `180*1.25 crack` falls from 1250 mm at 180 degrees and leaves a crack; `?` is not examined.
    """
    found = []
    for number, words in enumerate(text.split(","), 1):
        angle, load, damage = re.fullmatch(
            r"\s*(-?[\d.]+)(?:\*([\d.]+))?\s*([a-z?]*)\s*", words
        ).groups()  # type: ignore[union-attr]
        found.append(
            record(
                "drop", at(2, 10, number), drop_no=number, position_deg=angle,
                height_mm=str(1000 * Decimal(load or 1)),
                damage={"?": "not-examined", "": "none"}.get(damage, damage),
            )
        )  # fmt: skip
    return found


def outcome(text: str, of: Protocol) -> tuple[Any, ...]:
    """Survived, failed (None: not, or unknown), number of the first damaged drop, marks."""
    result = evaluate(drops(text), of)
    failed = None if result.failed is None else float(result.failed)
    return float(result.survived), failed, result.first_damage, " ".join(result.marks)


@pytest.mark.parametrize(
    ("test", "expected"),
    [
        # not damaged: the fewest hits that any position received
        ("0, 180", (1, None, None, "")),
        ("0, 0, 180", (1, None, None, "")),
        ("0, 180, 0, 180", (2, None, None, "")),
        ("0, 0, 0", (0, None, None, "")),
        # the k-th hit on its position damages: failed k, survived k - 1 or fewer elsewhere
        ("0 crack", (0, 1, 1, "")),
        ("0, 180, 0 crack", (1, 2, 3, "")),
        ("0, 0 crack", (0, 2, 2, "")),
        ("0, 0, 0, 180, 0 crack", (1, 4, 5, "")),
        ("180, 180, 180, 0, 0, 0, 180 crack", (3, 4, 7, "")),
        # damage below what fails the protocol is none
        ("0 mark, 180 set, 0 delamination, 180", (2, None, None, "")),
        ("0, 180 break", (0, 1, 2, "")),
        # what comes after the failure is kept, not used
        ("0, 180, 0 crack, 180, 180, 0 break", (1, 2, 3, "")),
        # within 2 % of the standard load it is that load
        ("0*0.98, 180*1.02", (1, None, None, "")),
        ("0*0.979, 180", (0, None, None, "off-protocol")),
        # a load above 1 counts one hit
        ("0*1.05, 180*1.5", (1, None, None, "")),
        ("0*2, 180", (1, None, None, "")),
        # a weaker drop counts none
        ("0*0.9, 0, 180*0.5, 180", (1, None, None, "off-protocol")),
        # damage at a load above 1: by what multiple it failed is not known
        ("0, 180, 0*1.05 crack", (1, None, 3, "off-protocol")),
        # damage at a weaker drop: the next count
        ("0, 180, 0*0.9 crack", (1, 2, 3, "off-protocol")),
        ("0*0.9 crack", (0, 1, 1, "off-protocol")),
        # a drop belongs to the nearest position within 3 degrees, across the valve hole too
        ("358, 182.9, 3, 177", (2, None, None, "")),
        ("362, -180", (1, None, None, "")),
        ("0, 180, 3.1, 176.9", (1, None, None, "off-position")),
        # off its positions a drop counts for none, whatever it does
        ("0, 180, 90 crack, 0, 180", (2, None, None, "off-position")),
        # a drop that nobody examined counts once a later one is found undamaged
        ("0 ?, 180", (1, None, None, "")),
        ("0, 180 ?", (0, None, None, "")),
        ("0, 180, 0 ?, 180 ?", (1, None, None, "")),
        ("0 ?, 180 ?, 0 ?, 180", (2, None, None, "")),
        # found undamaged after a drop off position, the earlier ones were survived
        ("0 ?, 180 ?, 90", (1, None, None, "off-position")),
        # but a failure does not show what came before it harmless
        ("0, 180, 0 ?, 180 ?, 0 crack", (1, 3, 5, "")),
        ("0 ?, 180 ?, 0 crack", (0, 2, 3, "")),
    ],
)
def test_a_repeat_test(test, expected):
    assert outcome(test, REPEAT) == expected


@pytest.mark.parametrize(
    ("test", "expected"),
    [
        # a rung is borne when every position has taken it
        ("0, 180", (1, None, None, "")),
        ("0, 180, 0*1.25", (1, None, None, "")),
        ("0, 180, 0*1.25, 180*1.25", (1.25, None, None, "")),
        ("0*1.25, 180*1.25", (1.25, None, None, "")),
        ("0*1.5, 180*1.25", (0, None, None, "")),
        ("0*0.5, 180*0.5", (0.5, None, None, "")),
        # failed: the load of the first damaged drop
        ("0, 180, 0*1.25 crack", (1, 1.25, 3, "")),
        ("0, 180, 0*1.25, 180*1.25 crack", (1, 1.25, 4, "")),
        ("0 crack", (0, 1, 1, "")),
        ("0*0.5, 180*0.5, 0*0.75 crack", (0.5, 0.75, 3, "")),
        # what comes after is not used
        ("0, 180*1 crack, 180, 0*1.25, 180*1.25", (0, 1, 2, "")),
        # within 2 % of a rung struck before it is that rung
        ("0*1.25, 180*1.27", (1.25, None, None, "")),
        ("0*1.25, 180*1.276", (0, None, None, "")),
        ("0*1.25, 180*1.225", (1.25, None, None, "")),
        ("0*1.25, 180*1.22", (0, None, None, "")),
        ("0*1.019, 180*0.981", (1, None, None, "")),
        # where that position had borne that load before, damage had built up
        ("0, 180, 0*1.25, 180*1.25, 0*1.25 crack", (1.25, None, 5, "off-protocol")),
        ("0, 180, 0 crack", (1, None, 3, "off-protocol")),
        ("0*1.25, 0 crack", (0, None, 2, "off-protocol")),
        # the other position having borne it says nothing of this one
        ("0*1.25, 180*1.25 crack", (0, 1.25, 2, "")),
        # nobody knows whether a drop that was not examined was borne
        ("0 ?, 0 crack", (0, 1, 2, "")),
        ("0 ?, 180, 0 crack", (1, None, 3, "off-protocol")),
        ("0, 180, 0*1.25 ?, 180*1.25 ?", (1, None, None, "")),
        ("0, 180, 0*1.25 ?, 180*1.25", (1.25, None, None, "")),
        # off its positions
        ("0, 180, 90*1.5 crack, 0*1.25, 180*1.25", (1.25, None, None, "off-position")),
        ("90*1.25, 0*1.27, 180*1.25", (1.27, None, None, "off-position")),
    ],
)
def test_a_step_test(test, expected):
    assert outcome(test, STEP) == expected


def numbered(*numbers: int) -> list[Any]:
    return [
        record("drop", at(2, 10, i), drop_no=n, position_deg=180 * (i % 2))
        for i, n in enumerate(numbers)
    ]


@pytest.mark.parametrize(
    ("numbers", "marks"),
    [
        ((1, 2, 3, 4), ()),
        ((1, 2, 4), ("incomplete-record",)),
        ((2, 3), ("incomplete-record",)),
        ((1, 2, 2), ("incomplete-record",)),
    ],
)
def test_gaps_and_repeats_in_the_numbers_of_drops_are_marked(numbers, marks):
    assert evaluate(numbered(*numbers), REPEAT).marks == marks


def test_the_numbers_of_drops_decide_their_order_not_their_times():
    first, second = drops("0, 0 crack")
    late = record("drop", at(3), drop_no=1, position_deg=0)
    assert evaluate([second, late], REPEAT).failed == 2
    assert evaluate([second, first], REPEAT) == evaluate([first, second], REPEAT)


def test_a_drop_of_another_protocol_is_kept_and_marked():
    other = record("drop", at(2, 11), drop_no=3, protocol="P2", position_deg=0, damage="break")
    result = evaluate([*drops("0, 180"), other], REPEAT)
    assert (result.survived, result.damaged, result.marks) == (1, False, ("off-protocol",))


CHANGES = protocol(fails_at="set", change_limit_mm=Decimal("1.0"))


@pytest.mark.parametrize(
    ("damage", "lateral", "radial", "damaged"),
    [
        ("none", "1.0", "0.2", False),
        ("none", "1.01", None, True),
        ("none", None, "1.01", True),
        ("none", "-1.01", "0", True),
        ("mark", "0.5", None, False),
        ("set", "0", "0", True),
        ("not-examined", "0.5", "0.5", None),
        ("not-examined", "1.5", None, True),
        ("none", None, None, None),
        ("mark", None, None, None),
        # a rim in two pieces has no run-out to measure: damage that was seen counts
        ("break", None, None, True),
    ],
)
def test_a_change_of_run_out_beyond_the_limit_counts_as_a_set(damage, lateral, radial, damaged):
    hit = record(
        "drop", 2, drop_no=1, damage=damage,
        **{k: v for k, v in (("lateral_change_mm", lateral), ("radial_change_mm", radial)) if v},
    )  # fmt: skip
    one = protocol(fails_at="set", change_limit_mm=Decimal("1.0"), positions_deg=(Decimal(0),))
    result = evaluate([hit], one)
    assert result.damaged == (damaged is True)
    assert result.survived == (1 if damaged is False else 0)


def test_a_set_by_change_is_no_crack():
    hit = record("drop", 2, drop_no=1, lateral_change_mm=5)
    one = protocol(change_limit_mm=Decimal(1), positions_deg=(Decimal(0),))
    assert evaluate([hit], one).survived == 1


@pytest.mark.parametrize("fails_at", DAMAGE[2:])
@pytest.mark.parametrize("damage", DAMAGE[1:])
def test_damage_counts_from_what_the_protocol_fails_at_on(damage, fails_at):
    hit = record("drop", 2, drop_no=1, damage=damage)
    fails = DAMAGE.index(damage) >= DAMAGE.index(fails_at)
    assert evaluate([hit], protocol(fails_at=fails_at)).damaged == fails


@pytest.mark.parametrize(
    ("angle", "position"),
    [("0", 0), ("3", 0), ("3.01", None), ("357", 0), ("356.99", None), ("88.5", 90), ("91.6", 93)],
)
def test_a_drop_belongs_to_the_nearest_position_within_the_tolerance(angle, position):
    of = protocol(positions_deg=(Decimal(0), Decimal(90), Decimal(93)))
    assert nearest_position(Decimal(angle), of) == position


# ---- a second way, slow and straight from the words ----


class Told(NamedTuple):
    survived: Fraction
    failed: Fraction | None
    damaged: bool
    first_damage: int | None
    marks: set[str]


def loads_of(hits: list[Any], of: Protocol, places: list[Any]) -> list[Fraction]:
    """Energy over the standard energy; within the tolerance of 1, or of a rung before, that."""
    tolerance = Fraction(of.energy_tolerance)
    rungs: list[Fraction] = []
    loads = []
    for hit, place in zip(hits, places, strict=True):
        joules = Fraction(hit.striker_kg) * Fraction("9.80665") * Fraction(hit.height_mm) / 1000
        load = joules / Fraction(of.standard_energy_j)
        if abs(load - 1) <= tolerance:
            load = Fraction(1)
        else:
            like = [rung for rung in rungs if abs(load - rung) <= tolerance * rung]
            load = min(like, key=lambda rung: abs(load - rung)) if like else load
        if place is not None and load not in rungs:
            rungs.append(load)
        loads.append(load)
    return loads


def place_of(hit: Any, of: Protocol) -> Decimal | None:
    def way(place: Decimal) -> Fraction:
        on = (Fraction(hit.position_deg) - Fraction(place)) % 360
        return min(on, 360 - on)

    place = min(of.positions_deg, key=way)
    return place if way(place) <= of.position_tolerance_deg else None


def state_of(hit: Any, of: Protocol) -> str:
    """`damaged`, `sound`, or `unknown`."""
    worst = list(DAMAGE).index(hit.damage)
    changes = [c for c in (hit.lateral_change_mm, hit.radial_change_mm) if c is not None]
    limit = of.change_limit_mm
    if limit is not None and any(abs(change) > limit for change in changes):
        worst = max(worst, list(DAMAGE).index("set"))
    if worst >= list(DAMAGE).index(of.fails_at):
        return "damaged"
    missing = limit is not None and not changes
    return "unknown" if hit.damage == "not-examined" or missing else "sound"


def by_the_words(hits: list[Any], of: Protocol) -> Told:
    hits = sorted(hits, key=lambda hit: (hit.drop_no, hit.taken_at, hit.record_id))
    numbers = [hit.drop_no for hit in hits]
    marks = set()
    if sorted(set(numbers)) != list(range(1, len(hits) + 1)):
        marks.add("incomplete-record")
    places = [place_of(hit, of) for hit in hits]
    loads = loads_of(hits, of, places)
    states = [state_of(hit, of) for hit in hits]
    if None in places:
        marks.add("off-position")
    counted = [i for i, place in enumerate(places) if place is not None]
    failing = next((i for i in counted if states[i] == "damaged"), None)
    end = len(hits) if failing is None else failing

    def survived(i: int) -> bool:
        return states[i] == "sound" or (
            states[i] == "unknown" and "sound" in [states[j] for j in range(i + 1, end)]
        )

    used = [i for i in counted if i < end]
    borne = [i for i in used if survived(i)]
    if of.method == "repeat":

        def hits_on(which: list[int], place: Any) -> int:
            return len([i for i in which if places[i] == place and loads[i] >= 1])

        fewest = Fraction(min(hits_on(borne, place) for place in of.positions_deg))
        failed = None
        weak = [i for i in [*used, *([failing] if failing is not None else [])] if loads[i] < 1]
        if weak:
            marks.add("off-protocol")
        if failing is not None:
            if loads[failing] > 1:
                marks.add("off-protocol")
            else:
                failed = Fraction(hits_on(used, places[failing]) + 1)
        best = fewest
    else:
        rungs = {loads[i] for i in borne}
        whole = [
            rung for rung in rungs
            if {places[i] for i in borne if loads[i] == rung} == set(of.positions_deg)
        ]  # fmt: skip
        best = max(whole, default=Fraction(0))
        failed = None
        if failing is not None:
            failed = loads[failing]
            # having borne as much or more there, it broke of what had built up
            if any(places[i] == places[failing] and loads[i] >= loads[failing] for i in borne):
                failed = None
                marks.add("off-protocol")
    first = None if failing is None else hits[failing].drop_no
    return Told(best, failed, failing is not None, first, marks)


HITS = st.tuples(
    st.sampled_from([0, 1, 2, 3, "3.01", 4, 357, 359, 90, 178, 180, "182.5"]),
    st.sampled_from([500, 900, 979, 980, 985, 1000, 1019, 1020, 1021, 1050, 1230, 1250, 1270,
                     1276, 1290, 1500]),
    st.sampled_from(["none"] * 4 + list(DAMAGE)),
    st.sampled_from([None, "0.5", "1.0", "1.2", "-1.2"]),
    st.sampled_from([0, 0, 0, 0, 1, -1]),
)  # fmt: skip
PROTOCOLS = st.builds(
    protocol,
    st.sampled_from(["repeat", "step"]),
    positions_deg=st.sampled_from(
        [(Decimal(0),), (Decimal(0), Decimal(180)), (Decimal(0), Decimal(90), Decimal(180))]
    ),
    fails_at=st.sampled_from(DAMAGE[2:]),
    change_limit_mm=st.sampled_from([None, Decimal("1.0")]),
    energy_tolerance=st.sampled_from([Decimal("0.02"), Decimal(0), Decimal("0.05")]),
)


@settings(max_examples=250)
@given(made=st.lists(HITS, min_size=1, max_size=9), of=PROTOCOLS)
def test_a_slow_second_way_comes_to_the_same(made, of):
    hits = []
    for number, (angle, height, damage, change, shift) in enumerate(made, 1):
        more = {"lateral_change_mm": change} if change else {}
        hits.append(
            record("drop", at(2, 10, number), drop_no=max(1, number + shift), position_deg=angle,
                   height_mm=height, damage=damage, **more)
        )  # fmt: skip
    result, told = evaluate(hits, of), by_the_words(hits, of)
    assert float(result.survived) == pytest.approx(float(told.survived), abs=1e-12)
    assert (result.failed is None) == (told.failed is None)
    if result.failed is not None and told.failed is not None:
        assert float(result.failed) == pytest.approx(float(told.failed), abs=1e-12)
    assert result.damaged == told.damaged
    assert result.first_damage == told.first_damage
    assert set(result.marks) == told.marks
    if result.failed is not None:
        assert result.survived < result.failed


# ---- flags, and which tests count ----

LIMITS = """
[[protocol]]
code = "P1"
stage = "rim"
standard_energy_j = 39.2266
required_multiple = 2
method = "repeat"
positions_deg = [0, 180]
fails_at = "crack"
[[protocol]]
code = "P3"
stage = "rim"
standard_energy_j = 39.2266
required_multiple = 1.5
method = "step"
positions_deg = [0, 180]
fails_at = "crack"
[[protocol]]
code = "P9"
stage = "rim"
standard_energy_j = 39.2266
required_multiple = 1
method = "repeat"
positions_deg = [0]
fails_at = "crack"
from = 2026-06-01
"""
SHOP = catalog(LIMITS)


def struck(text: str, *more: Any, **fields: Any) -> Any:
    return judge(SHOP, *(renamed(hit, **fields) for hit in drops(text)), *more)


def renamed(hit: Any, **fields: Any) -> Any:
    return record(
        "drop", fields.pop("when", hit.taken_at), drop_no=hit.drop_no,
        position_deg=str(hit.position_deg), height_mm=str(hit.height_mm), damage=hit.damage,
        **fields,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("test", "flag", "severity", "value", "limit"),
    [
        ("0 crack", "impact-below-standard", "critical", 1, 1),
        ("0*0.9 crack", "impact-below-standard", "critical", 1, 1),
        ("0, 180, 0 crack", "impact-early", "major", 1, 2),
        ("0, 0 crack", "impact-early", "critical", 0, 2),
        # by what multiple is not known, but damaged before what is required
        ("0, 180, 0*1.5 crack", "impact-early", "major", 1, 2),
        ("0, 180", "impact-incomplete", "minor", 1, 2),
        ("0, 180, 0, 180", None, None, None, None),
        ("0, 180, 0, 180, 0 crack", None, None, None, None),
    ],
)
def test_the_flag_of_a_repeat_test(test, flag, severity, value, limit):
    judged = struck(test)
    assert open_flags(judged) == ([flag] if flag else [])
    if flag:
        found = the_flag(judged, flag).verdict
        assert (found.severity, found.value, found.limit) == (severity, value, limit)
        assert (found.stage, found.test, found.unit) == ("rim", "T1", "multiple")


@pytest.mark.parametrize(
    ("test", "flag", "severity", "value", "limit"),
    [
        ("0 crack", "impact-below-standard", "critical", 1, 1),
        ("0*0.75, 180*0.75, 0*0.8 crack", "impact-below-standard", "critical", "0.8", 1),
        ("0, 180, 0*1.25 crack", "impact-early", "major", 1, "1.5"),
        ("0*1.25 crack", "impact-early", "critical", 0, "1.5"),
        ("0, 180, 0*1.25, 180*1.25", "impact-incomplete", "minor", "1.25", "1.5"),
        ("0*1.5, 180*1.5", None, None, None, None),
        ("0*1.5, 180*1.5, 0*2 crack", None, None, None, None),
    ],
)
def test_the_flag_of_a_step_test(test, flag, severity, value, limit):
    judged = struck(test, protocol="P3")
    assert open_flags(judged) == ([flag] if flag else [])
    if flag:
        found = the_flag(judged, flag).verdict
        assert found.severity == severity
        assert (found.value, found.limit) == (Decimal(str(value)), Decimal(str(limit)))


def marks(judged: Any) -> dict[str, tuple[str, ...]]:
    return {test.test: test.marks for test in judged.tests}


def test_the_second_test_of_a_part_does_not_count():
    second = [renamed(hit, test="T2", when=at(4, 10, hit.drop_no)) for hit in drops("0 crack")]
    judged = struck("0, 180, 0, 180", *second)
    assert marks(judged) == {"T1": (), "T2": ("struck-before",)}
    assert open_flags(judged) == []
    survived = [q.value for q in judged.quantities if q.characteristic == "survived-multiple"]
    assert survived == [2]


def test_the_first_test_is_the_one_struck_first_whatever_its_name():
    earlier = [renamed(hit, test="T0", when=at(1, 12, hit.drop_no)) for hit in drops("0, 180")]
    assert marks(struck("0, 180", *earlier)) == {"T0": (), "T1": ("struck-before",)}


@pytest.mark.parametrize("what", ["repair", "customer-return"])
def test_a_part_that_was_repaired_or_came_back_is_not_tested_fresh(what):
    def spoilt(day):
        if what == "repair":
            return record("disposition", day, decision="repair")
        return record("customer-return", day)

    assert marks(struck("0 crack", spoilt(1))) == {"T1": ("struck-before",)}
    assert open_flags(struck("0 crack", spoilt(1))) == []
    assert marks(struck("0 crack", spoilt(5))) == {"T1": ()}


def test_a_test_on_a_rig_in_doubt_is_suspect():
    off = {"C1": [Doubt(at(5), None, at(6), Decimal(4), Decimal(2))]}
    judged = judge(SHOP, *drops("0, 180"), doubts=off)
    (test,) = judged.tests
    assert test.suspect
    assert [q.suspect for q in judged.quantities] == [True]


def test_any_drop_makes_a_part_struck_for_ever():
    judged = struck("0*0.1", record("disposition", 20, decision="release"))
    assert judged.standing.struck


def test_a_test_shows_how_its_part_was_drawn():
    (test,) = struck("0, 180", drawn="random").tests
    assert (test.drawn, test.method, test.required, test.stage) == ("random", "repeat", 2, "rim")


def test_a_drop_under_a_protocol_that_was_not_in_force_is_not_judged():
    judged = struck("0 crack", protocol="P9")
    assert open_flags(judged) == ["not-judged"]
    assert judged.tests == []


def test_a_test_going_on_replaces_its_own_flag():
    judged = struck("0, 180, 0, 180")
    incomplete = [f for f in judged.flags if f.verdict.flag == "impact-incomplete"]
    assert [flag.closed_at for flag in incomplete] == [at(2, 10, 4)]
