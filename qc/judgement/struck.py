"""All impact tests of one part: which of them counts, and what the others are marked as."""

from collections.abc import Mapping, Sequence

from qc.judgement import impact
from qc.judgement.flags import Verdict
from qc.judgement.readings import Around, Outcome, Quantity, Reading, Tested, taken_with
from qc.records.kinds import CustomerReturn, Disposition, Drop, Record


def judge_tests(readings: Sequence[Reading], records: Sequence[Record], around: Around) -> Outcome:
    """All tests of a part from its drops; only the first one of a fresh part counts.

    `records` is all that was recorded of the part: a repair or a return from a customer before
    the first drop leaves no fresh part.
    """
    tests: dict[str, list[Reading]] = {}
    for reading in readings:
        assert isinstance(reading.record, Drop)
        tests.setdefault(reading.record.test, []).append(reading)
    spoilt = [
        record.taken_at
        for record in records
        if isinstance(record, CustomerReturn)
        or (isinstance(record, Disposition) and record.decision == "repair")
    ]
    started = {test: min(r.record.taken_at for r in hits) for test, hits in tests.items()}
    first = min(started, key=lambda test: (started[test], test), default=None)
    verdicts: list[Verdict] = []
    tested = []
    unjudged: list[str] = []
    for test in sorted(tests, key=lambda test: (started[test], test)):
        fresh = test == first and not any(t <= started[test] for t in spoilt)
        result = _tested(test, tests[test], fresh, around)
        if result:
            tested.append(result[0])
            verdicts += result[1]
        else:
            unjudged.append(test)
    uncovered = "; ".join(f"test {test}: its protocol was not in force" for test in unjudged)
    basis = sorted(reading.record.record_id for test in unjudged for reading in tests[test])
    return Outcome(verdicts, _survived(tested, tests), uncovered, tuple(basis), tested)


def _tested(
    test: str, readings: Sequence[Reading], fresh: bool, around: Around
) -> tuple[Tested, list[Verdict]] | None:
    drops = [r.record for r in readings if isinstance(r.record, Drop)]
    start = min(drops, key=lambda d: (d.drop_no, d.taken_at, d.record_id))
    day = around.catalog.local_day(start.taken_at)
    protocol = around.catalog.protocol(start.protocol, day)
    if protocol is None:
        return None
    result = impact.evaluate(drops, protocol)
    basis = tuple(sorted(drop.record_id for drop in drops))
    verdicts = impact.verdicts(test, result, protocol, basis) if fresh else []
    marks = result.marks if fresh else tuple(sorted((*result.marks, impact.STRUCK_BEFORE)))
    tested = Tested(
        *(test, protocol.code, protocol.stage, protocol.method, protocol.required_multiple),
        *(result.survived, result.failed, result.damaged, result.first_damage, marks),
        suspect=any(reading.suspect for reading in readings),
        at=min(drop.taken_at for drop in drops),
        drawn=start.drawn,
    )
    return tested, verdicts


def _survived(tested: Sequence[Tested], tests: Mapping[str, Sequence[Reading]]) -> list[Quantity]:
    return [
        Quantity(
            *(t.stage, "survived-multiple", t.survived, t.at, None, t.suspect, t.protocol),
            *("", "", *taken_with([reading.record for reading in tests[t.test]])),
        )
        for t in tested
        if impact.STRUCK_BEFORE not in t.marks
    ]
