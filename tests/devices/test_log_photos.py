"""Photos that findings of a log name: kept beside the database and moved with the log."""

import pytest

from qc.devices import watching
from qc.devices.photos import find, photo_folder
from qc.devices.watching import Watch
from qc.ledger.ledger import Ledger
from tests.maker import fields, take_catalog, write_csv, write_jsonl

PNG = b"\x89PNG\r\n\x1a\n"


@pytest.fixture
def shop(sqlite, tmp_path):
    with Ledger(sqlite.new()) as ledger:
        take_catalog(ledger, tmp_path)
        yield ledger


@pytest.fixture
def inbox(tmp_path):
    (tmp_path / "inbox" / "rig").mkdir(parents=True)
    return tmp_path / "inbox"


def finding(serial="R1", photo=None, **more):
    return fields("finding", serial=serial, photo=photo, **more)


def taken(shop, inbox):
    found: list[watching.Taken] = []
    with Watch(shop, inbox, found.append, print, settle_s=0) as watch:
        watch.look()
    return found


def files(inbox):
    return sorted(
        str(path.relative_to(inbox))
        for path in inbox.rglob("*")
        if path.is_file() and ".rimqc" not in path.parts
    )


def kept(shop, name):
    found = find(photo_folder(shop.url.render_as_string(hide_password=False)), name)
    return found and found[0].read_bytes()


@pytest.mark.parametrize(("write", "ending"), [(write_csv, "csv"), (write_jsonl, "jsonl")])
def test_a_photo_is_kept_and_moved_with_its_log(shop, inbox, write, ending):
    (inbox / "rig" / "IMG 7.JPG").write_bytes(PNG + b"7")
    (inbox / "rig" / "of nobody.png").write_bytes(PNG)
    write(inbox / "rig" / f"finding_1.{ending}", [finding(photo="IMG 7.JPG"), finding("R2")])
    (said,) = taken(shop, inbox)
    assert (said.accepted, said.photos, said.photo_faults) == (2, ["IMG 7.JPG"], {})
    assert kept(shop, "IMG 7.JPG") == PNG + b"7"
    assert files(inbox) == [
        "done/rig/IMG 7.JPG", f"done/rig/finding_1.{ending}", "rig/of nobody.png"
    ]  # fmt: skip


def test_a_photo_goes_where_a_refused_log_goes_and_waits_for_the_mended_line(shop, inbox):
    (inbox / "rig" / "a.png").write_bytes(PNG)
    write_csv(inbox / "rig" / "finding_1.csv", [finding(photo="a.png", size_mm="large")])
    (said,) = taken(shop, inbox)
    assert said.refused == 1
    assert "refused/rig/a.png" in files(inbox)
    write_csv(inbox / "rig" / "finding_2.csv", [finding(photo="a.png", size_mm=3)])
    (said,) = taken(shop, inbox)
    assert (said.accepted, said.photo_faults) == (1, {})
    assert kept(shop, "a.png") == PNG


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (None, "does not lie beside the log"),
        (b"<svg onload=alert(1)>", "no JPEG, PNG, WebP or HEIC picture"),
    ],
)
def test_a_photo_that_is_none_is_said_and_keeps_no_log_waiting(shop, inbox, content, why):
    if content is not None:
        (inbox / "rig" / "a.png").write_bytes(content)
    write_csv(inbox / "rig" / "finding_1.csv", [finding(photo="a.png")])
    (said,) = taken(shop, inbox)
    assert said.accepted == 1
    assert why in said.photo_faults["a.png"]
    assert "done/rig/finding_1.csv" in files(inbox)
    assert kept(shop, "a.png") is None


def test_two_rigs_that_name_their_photos_alike_lose_neither(shop, inbox):
    for number in (1, 2):
        (inbox / "rig" / "a.png").write_bytes(PNG + bytes([number]))
        write_csv(inbox / "rig" / f"finding_{number}.csv", [finding(f"R{number}", "a.png")])
        (said,) = taken(shop, inbox)
    assert "another photo of that name" in said.photo_faults["a.png"]
    assert kept(shop, "a.png") == PNG + b"\x01"
    contents = {path.read_bytes() for path in (inbox / "done" / "rig").glob("a*.png")}
    assert contents == {PNG + b"\x01", PNG + b"\x02"}


def test_killed_between_photo_and_log_nothing_is_missed(shop, inbox, monkeypatch):
    (inbox / "rig" / "a.png").write_bytes(PNG)
    write_csv(inbox / "rig" / "finding_1.csv", [finding(photo="a.png")])
    with monkeypatch.context() as killed:
        move = watching.move_photos

        def moved(*given):
            move(*given)
            raise KeyboardInterrupt

        killed.setattr(watching, "move_photos", moved)
        with pytest.raises(KeyboardInterrupt):
            taken(shop, inbox)
    (said,) = taken(shop, inbox)
    assert (said.already_held, said.photo_faults) == (1, {})
    assert files(inbox) == ["done/rig/a.png", "done/rig/finding_1.csv"]


def test_no_photo_name_leads_out_of_the_folder(shop, inbox, tmp_path):
    (tmp_path / "secret.png").write_bytes(PNG)
    (inbox / "rig" / "link.png").symlink_to(tmp_path / "secret.png")
    rows = [finding(photo="../../secret.png"), finding("R2", photo="link.png")]
    write_csv(inbox / "rig" / "finding_1.csv", rows)
    (said,) = taken(shop, inbox)
    assert said.photos == []
    assert (tmp_path / "secret.png").exists()
