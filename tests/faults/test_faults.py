"""Shorter runs of what the campaigns beside this file do at length."""

import pytest

from tests.faults import clock_back, full_disk, power_cut, sending, watching
from tests.faults.campaign import may_mount
from tests.faults.networks import Cable, Through, may_lay_cables


def test_watch_killed_at_any_step_loses_nothing_and_doubles_nothing(databases, tmp_path):
    faults = 12 if databases.kind == "sqlite" else 5
    outcome = watching.run(databases.new(), tmp_path, faults, seed=3)
    assert outcome.wrong == []
    assert outcome.faults == faults


def test_records_sent_through_cuts_and_kills_are_held_once(sqlite, tmp_path):
    network = Through()
    try:
        outcome = sending.run(sqlite.new(), tmp_path, 12, network, seed=3)
    finally:
        network.close()
    assert outcome.wrong == []
    assert outcome.faults.keys() == set(sending.FAULTS)


def test_records_sent_while_the_cable_is_pulled_are_held_once(sqlite, tmp_path):
    if not may_lay_cables():
        pytest.skip("this machine does not let us make network namespaces")
    network = Cable("rqtest")
    try:
        outcome = sending.run(sqlite.new(), tmp_path, 3, network, seed=4)
    finally:
        network.close()
    assert outcome.wrong == []
    assert outcome.faults["cut"] > 0


def test_a_database_is_whole_after_the_power_was_cut(sqlite, tmp_path):
    outcome = power_cut.run(sqlite, tmp_path, 2, seed=7)
    assert outcome.wrong == []
    assert outcome.counts["cut"] == 2


def test_a_disk_that_fills_is_told_of_plainly_and_takes_nothing_away(sqlite, tmp_path):
    if not may_mount():
        pytest.skip("this machine does not let us mount a file system")
    outcome = full_disk.run(sqlite, tmp_path, 8, seed=3)
    assert outcome.wrong == []
    assert outcome.counts["import stopped"] > 0


def test_a_server_whose_clock_is_set_back_goes_on_in_order(sqlite, tmp_path):
    if clock_back.LIBRARY is None:
        pytest.skip("no libfaketime here: install the package faketime")
    outcome = clock_back.run(sqlite, tmp_path, 3, seed=2)
    assert outcome.wrong == []
    assert outcome.counts["told by verify"] > 0
