"""What looks found, one by one and counted."""

import pytest

from qc.views.findings import counted, findings
from tests.maker import accept, correction, record, take_catalog


@pytest.fixture
def shop(ledger, tmp_path):
    take_catalog(ledger, tmp_path)
    for n, batch in enumerate(("B1", "B1", "B1", "B2")):
        accept(ledger, [record("receipt", serial=f"R{n}", batch=batch),
                        record("inspection", serial=f"R{n}", result="findings")])  # fmt: skip
    return ledger


def look(ledger, **what):
    with ledger.reading() as connection:
        return findings(connection, ledger.known(connection).catalog, **what)


def seen(serial, angle=90, **more):
    return record("finding", serial=serial, angle_deg=angle, **more)


def test_every_finding_of_the_batches_is_there_and_void_ones_are_not(shop):
    slip = seen("R1", 10)
    accept(shop, [seen("R0", 350), slip, correction(slip, void=True), seen("R3", 20)])
    found = look(shop)
    assert {(one["serial"], one["batch"], one["angle_deg"]) for one in found["findings"]} == {
        ("R0", "B1", 350),
        ("R3", "B2", 20),
    }
    assert found["looked_at"] == 4


def test_findings_of_one_model_or_one_batch(shop):
    accept(shop, [seen("R0"), seen("R3")])
    assert [one["serial"] for one in look(shop, batch="B2")["findings"]] == ["R3"]
    assert look(shop, model="R30")["findings"] == []


def test_counts_are_sorted_and_their_shares_run_up_to_one(shop):
    accept(shop, [seen("R0"), seen("R0", 100), seen("R1", 5, defect="scratch", size_mm=7),
                  seen("R3", 30)])  # fmt: skip
    rows = counted(look(shop)["findings"], "defect")
    assert [(row["name"], row["count"], row["parts"]) for row in rows] == [
        ("void", 3, 2),
        ("scratch", 1, 1),
    ]
    assert [row["cumulative"] for row in rows] == [0.75, 1]
    assert rows[1]["largest_mm"] == 7
    assert counted([], "zone") == []
