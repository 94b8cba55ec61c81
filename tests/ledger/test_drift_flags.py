import pytest

from qc.ledger.journal import prepare
from qc.ledger.ledger import Ledger
from qc.ledger.rebuild import rebuild
from qc.ledger.writer import Writer
from tests.maker import CATALOG, accept, flags_of, record, run, take_catalog

# batch means of rims whose level rises by 8 g with the 13th batch
MEANS = [450.3, 449.1, 450.8, 449.6, 450.0, 450.9, 449.4, 450.2, 449.8, 450.5, 449.3, 450.1,
         458.2, 457.6, 458.5, 457.9]  # fmt: skip
CODES = [f"L{n:02d}" for n in range(1, len(MEANS) + 1)]


def batches(**more):
    return "".join(
        f'[[batch]]\ncode = "{code}"\nmodel = "D50"\nmade_on = 2026-03-{n:02d}\nquantity = 3\n'
        + (f'mould = "{more["mould"]}"\n' if "mould" in more else "")
        for n, code in enumerate(CODES, 1)
    )


def baseline(codes, since, name="after the new press"):
    names = ", ".join(f'"{code}"' for code in codes)
    return (
        '[[baseline]]\nmodel = "D50"\nstage = "rim"\ncharacteristic = "bare-mass"\n'
        f'batches = [{names}]\nname = "{name}"\nreason = "it is as it should be"\nfrom = {since}\n'
    )


def weighed(n):
    """Three rims of the n-th batch, half a gram apart."""
    day = f"2026-03-{n:02d}T1{{}}:00:00"
    for i, away in enumerate((-0.5, 0.0, 0.5)):
        serial = f"{CODES[n - 1]}-{i}"
        yield record("receipt", serial=serial, batch=CODES[n - 1], taken_at=day.format(0))
        yield record("weighing", serial=serial, gross_g=f"{MEANS[n - 1] + away:.1f}",
                     taken_at=day.format(i + 1))  # fmt: skip


@pytest.fixture
def shop(ledger, tmp_path):
    take_catalog(ledger, tmp_path, CATALOG + batches())
    return ledger


def drifts(ledger):
    return [flag for flag in flags_of(ledger) if flag["flag"] == "drift"]


def test_rims_that_grow_heavier_are_flagged_once_at_the_batch_that_showed_it(shop):
    for n in range(1, len(MEANS) + 1):
        accept(shop, weighed(n))
    (flag,) = drifts(shop)
    assert flag["batch"] in CODES[12:14]
    assert (flag["model"], flag["stage"], flag["characteristic"]) == ("D50", "rim", "bare-mass")
    assert (flag["severity"], flag["unit"], flag["state"]) == ("major", "g", "open")
    assert flag["value"] > flag["limit"]
    assert "L13" in flag["message"]


@pytest.mark.owner
def test_the_order_of_arrival_and_a_rebuild_change_no_drift_flag(shop):
    accept(shop, [one for n in range(len(MEANS), 0, -1) for one in weighed(n)])
    before = drifts(shop)
    assert len(before) == 1
    with shop.writing() as connection:
        rebuild(connection)
    assert drifts(shop) == before


def test_steady_rims_raise_no_drift(shop):
    accept(shop, [one for n in range(1, 13) for one in weighed(n)])
    assert drifts(shop) == []


@pytest.mark.parametrize("decision", ["release", "concession", "scrap"])
def test_a_decision_on_the_batch_settles_its_drift(shop, decision):
    accept(shop, [one for n in range(1, len(MEANS) + 1) for one in weighed(n)])
    (flag,) = drifts(shop)
    more = {"quantity": 3} if decision == "concession" else {}
    accept(shop, [record("disposition", serial=None, batch=flag["batch"], decision=decision,
                         reason="the claim allows it", taken_at="2026-04-01T08:00:00",
                         **more)])  # fmt: skip
    (settled,) = drifts(shop)
    assert (settled["state"], settled["closed_by"]) == ("closed", decision)


def test_a_decision_on_another_batch_settles_nothing(shop):
    accept(shop, [one for n in range(1, len(MEANS) + 1) for one in weighed(n)])
    accept(shop, [record("disposition", serial=None, batch="L02", decision="release",
                         taken_at="2026-04-01T08:00:00")])  # fmt: skip
    assert [flag["state"] for flag in drifts(shop)] == ["open"]


def test_a_frozen_baseline_is_what_later_batches_are_judged_against(shop, tmp_path):
    accept(shop, [one for n in range(1, len(MEANS) + 1) for one in weighed(n)])
    frozen = CATALOG + batches() + baseline(CODES[:12], "2026-03-12")
    take_catalog(shop, tmp_path, frozen)
    shop.settle()
    (flag,) = drifts(shop)
    assert flag["batch"] in CODES[12:15]


def test_a_baseline_frozen_at_the_new_level_keeps_the_old_event_and_raises_no_other(shop, tmp_path):
    accept(shop, [one for n in range(1, len(MEANS) + 1) for one in weighed(n)])
    before = drifts(shop)
    take_catalog(shop, tmp_path, CATALOG + batches() + baseline(CODES[14:], "2026-03-16"))
    shop.settle()
    assert [flag["batch"] for flag in drifts(shop)] == [flag["batch"] for flag in before]


@pytest.mark.parametrize(
    ("codes", "word"), [(["L01", "nowhere"], "nowhere"), (["L01", "B3"], "expected batches of")]
)
def test_a_baseline_of_batches_that_cannot_be_its_own_is_refused(db, tmp_path, codes, word):
    (tmp_path / "catalog.toml").write_text(CATALOG + batches() + baseline(codes, "2026-03-12"))
    code, out, _ = run("import", tmp_path, "--db", db, "--format", "json")
    assert code == 1
    assert word in out


def test_the_writer_judges_drift_when_it_has_a_quiet_moment(db, tmp_path):
    with Ledger(db) as ledger:
        take_catalog(ledger, tmp_path, CATALOG + batches())
        with Writer(ledger) as writer:
            for n in range(1, len(MEANS) + 1):
                writer.submit(list(weighed(n))).result()
        assert len(drifts(ledger)) == 1


def test_drift_that_a_killed_server_left_to_be_judged_is_judged_by_the_next(shop):
    items = [prepare(one) for n in range(1, len(MEANS) + 1) for one in weighed(n)]
    with shop.writing() as connection:
        shop.accept_into(connection, items)  # and here it was killed, before it could judge
    assert drifts(shop) == []
    with Writer(shop):
        pass
    assert len(drifts(shop)) == 1
