"""A shorter run of what `python -m tests.faults.sending` and `.watching` do at length."""

import pytest

from tests.faults import sending, watching
from tests.faults.networks import Cable, Through, may_lay_cables


def test_watch_killed_at_any_step_loses_nothing_and_doubles_nothing(databases, tmp_path):
    faults = 12 if databases.kind == "sqlite" else 5
    outcome = watching.run(databases.new(), tmp_path, faults, seed=3)
    assert outcome.wrong == []
    assert outcome.faults == faults


def test_records_sent_through_cuts_and_kills_are_held_once(sqlite, tmp_path):
    network = Through()
    try:
        outcome = sending.run(sqlite.new(), tmp_path, 25, network, seed=3)
    finally:
        network.close()
    assert outcome.wrong == []
    assert outcome.faults.keys() == set(sending.FAULTS)


def test_records_sent_while_the_cable_is_pulled_are_held_once(sqlite, tmp_path):
    if not may_lay_cables():
        pytest.skip("this machine does not let us make network namespaces")
    network = Cable("rqtest")
    try:
        outcome = sending.run(sqlite.new(), tmp_path, 5, network, seed=4)
    finally:
        network.close()
    assert outcome.wrong == []
    assert outcome.faults["cut"] > 0
