import multiprocessing

from qc.devices.files import hold, hold_if_free
from qc.devices.spool import Spool


def all_lines(spool):
    return [line for batch in spool.waiting() for line in spool.lines(batch)]


def test_batches_wait_in_the_order_in_which_they_were_put(tmp_path):
    spool = Spool(tmp_path / "spool")
    for n in range(12):
        spool.put([b'{"n": %d}' % n, b'{"n": %d.5}' % n])
    spool.put([])
    assert len(spool.waiting()) == 12
    assert spool.records_waiting() == 24
    again = Spool(tmp_path / "spool")
    again.put([b"{}"])
    assert all_lines(again) == [
        *(b'{"n": %d%s}' % (n, half) for n in range(12) for half in (b"", b".5")), b"{}",
    ]  # fmt: skip


def test_a_batch_half_written_when_the_power_went_is_none(tmp_path):
    spool = Spool(tmp_path)
    (tmp_path / ".000000000001.jsonl.part").write_text('{"n": 1}\n{"n"')
    assert spool.waiting() == []
    spool.put([b"{}"])
    assert all_lines(spool) == [b"{}"]


def test_what_the_server_answered_for_is_gone_and_what_it_refused_is_kept_with_its_reason(tmp_path):
    spool = Spool(tmp_path)
    spool.put([b'{"n": 1}', b'{"n": 2.50}', b"no object", b'{"t": "\xff"}'])
    (batch,) = spool.waiting()
    spool.done(batch, [(b'{"n": 2.50}', 'n: "too" large'), (b"no object", "not JSON"),
                       (b'{"t": "\xff"}', "not UTF-8")])  # fmt: skip
    assert spool.waiting() == []
    (refused,) = spool.refused.iterdir()
    assert refused.name == "000000000001.refused.jsonl"
    assert refused.read_bytes() == (
        b'{"n": 2.50, "refused_because": "n: \\"too\\" large"}\n'
        b'{"refused_line": "no object", "refused_because": "not JSON"}\n'
        b'{"t": "\xff", "refused_because": "not UTF-8"}\n'
    )
    # the numbers go on, so that nobody's mending is overwritten
    spool.put([b"{}"])
    assert spool.waiting()[0].name == "000000000002.jsonl"


def _put_many(folder, mark):
    spool = Spool(folder)
    for n in range(40):
        spool.put([b"%s %d" % (mark, n)])


def test_programs_that_put_at_once_lose_nothing(tmp_path):
    forks = multiprocessing.get_context("forkserver")
    marks = [b"a", b"b", b"c"]
    running = [forks.Process(target=_put_many, args=(tmp_path, mark)) for mark in marks]
    for process in running:
        process.start()
    for process in running:
        process.join(60)
    found = all_lines(Spool(tmp_path))
    assert sorted(found) == sorted(b"%s %d" % (mark, n) for mark in marks for n in range(40))
    for mark in marks:  # each in its own order
        own = [line for line in found if line.startswith(mark)]
        assert own == [b"%s %d" % (mark, n) for n in range(40)]


def test_a_lock_is_held_by_one_at_a_time(tmp_path):
    with hold(tmp_path / "lock"):
        assert hold_if_free(tmp_path / "lock") is None
    second = hold_if_free(tmp_path / "lock")
    assert second is not None
    second.close()
