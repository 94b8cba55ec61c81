"""Eight stations that write at once; at length by hand: `python -m tests.faults.shift`."""

from tests.faults.shift import run_shift


def test_a_shift_at_eight_stations_is_held_as_one_import_of_it_would_be(databases, tmp_path):
    if databases.kind == "sqlite":
        db, beside = databases.new(), databases.new()
    else:
        db, beside = databases.new(), f"sqlite:///{tmp_path}/beside.sqlite"
    outcome = run_shift(db, beside, tmp_path, parts=72)
    assert (outcome.missing, outcome.double, outcome.wrong, outcome.differs) == (0, 0, 0, [])
    assert outcome.sent_again > 20
    assert outcome.signals > 0
