import threading

import pytest
from sqlalchemy import func, select

from qc.errors import RimqcError
from qc.ledger import drift_flags
from qc.ledger.summaries import stale_streams
from qc.ledger.tables import Journal, Seal, Stream
from qc.ledger.verify import verify
from qc.ledger.writer import Writer
from tests.maker import record, take_catalog


@pytest.fixture
def shop(ledger, tmp_path):
    take_catalog(ledger, tmp_path)
    return ledger


def counts(ledger):
    with ledger.reading() as connection:
        assert verify(connection).first_bad is None
        return [
            connection.execute(select(func.count()).select_from(table)).scalar()
            for table in (Journal, Seal)
        ]


@pytest.fixture
def slow(shop, monkeypatch):
    """A writer that is kept from its first transaction until `go` is set."""
    go, began = threading.Event(), threading.Event()
    accept_into = shop.accept_into

    def waits(connection, items):
        began.set()
        assert go.wait(30)
        return accept_into(connection, items)

    monkeypatch.setattr(shop, "accept_into", waits)
    with Writer(shop) as writer:
        first = writer.submit([record("receipt", serial="FIRST")])
        assert began.wait(30)
        yield writer, go, first
        go.set()


def test_many_benches_at_once_are_all_answered_under_few_seals(shop):
    before = counts(shop)
    answers = []

    def bench(number):
        futures = [
            writer.submit([record("weighing", serial=f"R{number}-{i}", inspector="ann")])
            for i in range(25)
        ]
        answers.extend(answer.outcome for f in futures for answer in f.result(60))

    with Writer(shop) as writer:
        benches = [threading.Thread(target=bench, args=(n,)) for n in range(12)]
        for thread in benches:
            thread.start()
        for thread in benches:
            thread.join()
    assert answers == ["accepted"] * 300
    records, seals = counts(shop)
    assert records - before[0] == 300
    assert 0 < seals - before[1] < 300


def test_what_waits_goes_into_one_transaction_in_the_order_it_came(slow, shop):
    writer, go, first = slow
    weighings = [record("weighing", serial=f"R{i}") for i in range(50)]
    waiting = [writer.submit([item, item]) for item in weighings]
    go.set()
    assert [a.outcome for a in first.result(60)] == ["accepted"]
    outcomes = [[a.outcome for a in future.result(60)] for future in waiting]
    assert outcomes == [["accepted", "held"]] * 50
    with shop.reading() as connection:
        sizes = connection.execute(select(Seal.records).order_by(Seal.number)).scalars().all()
        assert sizes[1:] == [1, 50]
        kept = connection.execute(
            select(Journal.serial).where(Journal.kind == "weighing").order_by(Journal.position)
        )
        assert list(kept.scalars()) == [f"R{i}" for i in range(50)]


def test_the_same_record_from_two_benches_is_taken_once(slow):
    writer, go, _ = slow
    futures = [writer.submit([record("weighing")]) for _ in range(4)]
    go.set()
    outcomes = [future.result(60)[0].outcome for future in futures]
    assert outcomes == ["accepted", "held", "held", "held"]


def test_a_conflict_is_answered_to_the_one_who_caused_it(slow):
    writer, go, _ = slow
    name = "0b7f1d7c-6c1e-4b0e-9f57-3f6f1f0a5b11"
    good = writer.submit([record("weighing", record_id=name, note="one")])
    bad = writer.submit([record("weighing", record_id=name, note="two")])
    go.set()
    assert good.result(60) == [("accepted", None)]
    assert bad.result(60) == [("conflict", "note")]


def test_a_fault_is_answered_to_everybody_and_the_next_records_are_taken(shop, monkeypatch):
    before = counts(shop)

    def full(*_):
        raise RimqcError("database: disk is full")

    with Writer(shop) as writer:
        with monkeypatch.context() as patch:
            patch.setattr("qc.ledger.follow.follow", full)
            futures = [writer.submit([record("weighing", serial=f"R{i}")]) for i in range(10)]
            for future in futures:
                with pytest.raises(RimqcError, match="disk is full"):
                    future.result(60)
        assert counts(shop) == before
        (answer,) = writer.submit([record("weighing", serial="R1")]).result(60)
    assert answer.outcome == "accepted"


def test_a_record_that_cannot_be_written_takes_no_other_with_it(shop, monkeypatch):
    together = threading.Event()
    accept_into = shop.accept_into

    def picky(connection, items):
        assert together.wait(30)
        if any(item.record.serial == "BAD" for item in items):
            raise RimqcError("this one cannot be written")
        return accept_into(connection, items)

    monkeypatch.setattr(shop, "accept_into", picky)
    with Writer(shop) as writer:
        names = ("FIRST", "R1", "BAD", "R2")
        futures = {s: writer.submit([record("weighing", serial=s)]) for s in names}
        together.set()
        with pytest.raises(RimqcError, match="this one"):
            futures.pop("BAD").result(60)
        answers = [answer.outcome for future in futures.values() for answer in future.result(60)]
    assert answers == ["accepted"] * 3


def test_a_bench_that_no_longer_waits_does_not_stop_the_others(slow):
    writer, go, _ = slow
    gone = writer.submit([record("weighing", serial="R1")])
    stays = writer.submit([record("weighing", serial="R2")])
    assert gone.cancel()
    go.set()
    assert [a.outcome for a in stays.result(60)] == ["accepted"]
    (again,) = writer.submit([record("weighing", serial="R1")]).result(60)
    assert again.outcome == "accepted"


def test_a_writer_that_closes_writes_what_waits_and_takes_no_more(shop):
    writer = Writer(shop)
    futures = [writer.submit([record("weighing", serial=f"R{i}")]) for i in range(20)]
    writer.close()
    assert all(future.done() for future in futures)
    with pytest.raises(RimqcError, match="send them again"):
        writer.submit([record("weighing", serial="R99")])
    writer.close()


def test_drift_is_judged_before_long_where_no_moment_is_quiet(shop, monkeypatch):
    monkeypatch.setattr("qc.ledger.writer.QUIET_SECONDS", 3600.0)
    monkeypatch.setattr("qc.ledger.writer.LATEST_SECONDS", 0.0)
    with Writer(shop) as writer:
        for number in range(3):
            came = record("receipt", serial=f"R{number}")
            writer.submit([came, record("weighing", serial=f"R{number}")]).result(60)
        writer.submit([record("receipt", serial="LAST")]).result(60)
        with shop.reading() as connection:
            assert connection.scalar(select(func.count()).select_from(Stream))
            assert stale_streams(connection) == []


def test_a_record_that_comes_while_drift_is_judged_waits_for_one_stream_only(shop, monkeypatch):
    judge, judged = drift_flags.settle_streams, []
    began, gates = threading.Event(), [threading.Event(), threading.Event()]

    def when_let(connection, catalog, only):
        began.set()
        assert gates[len(judged)].wait(30)
        judge(connection, catalog, only)
        judged.append(only)

    monkeypatch.setattr(drift_flags, "settle_streams", when_let)
    monkeypatch.setattr("qc.ledger.writer.QUIET_SECONDS", 0.01)
    with Writer(shop) as writer:
        writer.submit([record("receipt"), record("weighing"), record("inspection")]).result(60)
        assert began.wait(30)
        late = writer.submit([record("receipt", serial="LATE")])
        gates[0].set()
        assert late.result(60)[0].outcome == "accepted"
        assert len(judged) == 1
        gates[1].set()
    with shop.reading() as connection:
        assert stale_streams(connection) == []
    assert len(judged) == 2


def test_readers_beside_the_writer_never_give_it_an_old_catalog(shop, tmp_path):
    stop = threading.Event()
    faults = []

    def reads():
        while not stop.is_set():
            try:
                shop.catalog()
            except Exception as fault:
                faults.append(fault)

    readers = [threading.Thread(target=reads) for _ in range(3)]
    for thread in readers:
        thread.start()
    text = (tmp_path / "catalog.toml").read_text()
    try:
        for step in range(12):
            take_catalog(
                shop, tmp_path, text.replace('name = "Valve bore"', f'name = "Bore {step}"')
            )
            with shop.writing() as connection:
                known = shop.known(connection).catalog.characteristic("bore")
            assert known is not None
            assert known.name == f"Bore {step}"
    finally:
        stop.set()
        for thread in readers:
            thread.join()
    assert faults == []
