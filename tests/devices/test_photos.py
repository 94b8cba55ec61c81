"""Photos of findings on the disk."""

import pytest

from qc.devices.photos import MOST_BYTES, find, keep, keep_named, photo_folder
from qc.errors import RimqcError

PNG = b"\x89PNG\r\n\x1a\n" + bytes(10)


@pytest.mark.parametrize(
    ("start", "suffix"),
    [
        (b"\xff\xd8\xff\xe1", "jpg"),
        (PNG, "png"),
        (b"RIFF\x10\x00\x00\x00WEBPVP8 ", "webp"),
        (b"\x00\x00\x00\x18ftypheic", "heic"),
    ],
)
def test_a_picture_is_named_by_what_it_is(tmp_path, start, suffix):
    name = keep(tmp_path / "photos", "R-1", start + b"more")
    assert name.startswith("R-1-")
    assert name.endswith(f".{suffix}")
    found = find(tmp_path / "photos", name)
    assert found is not None
    assert found[0].read_bytes() == start + b"more"
    assert found[1].startswith("image/")


@pytest.mark.parametrize("content", [b"", b"<svg onload=alert(1)>", b"GIF89a", b"%PDF-1.7"])
def test_what_is_no_picture_of_a_known_kind_is_refused(tmp_path, content):
    with pytest.raises(RimqcError, match="no JPEG, PNG, WebP or HEIC"):
        keep(tmp_path, "R1", content)
    assert list(tmp_path.iterdir()) == []


def test_a_photo_that_is_too_large_is_refused(tmp_path):
    with pytest.raises(RimqcError, match="more than 15 MB"):
        keep(tmp_path, "R1", PNG + bytes(MOST_BYTES))


def test_the_same_photo_sent_twice_is_one_file(tmp_path):
    assert keep(tmp_path, "R1", PNG) == keep(tmp_path, "R1", PNG)
    assert len(list(tmp_path.iterdir())) == 1


@pytest.mark.parametrize("serial", ["../../etc/passwd", "a/b", "...", "<b>"])
def test_no_serial_leads_out_of_the_folder(tmp_path, serial):
    folder = tmp_path / "photos"
    name = keep(folder, serial, PNG)
    assert [path.name for path in folder.iterdir()] == [name]


@pytest.mark.parametrize("name", ["../a.sqlite", "..", ".hidden.png", "a.html", "", "none.png"])
def test_no_other_file_is_found_by_a_name(tmp_path, name):
    (tmp_path / ".hidden.png").write_bytes(PNG)
    (tmp_path / "a.html").write_text("<b>")
    assert find(tmp_path, name) is None


@pytest.mark.parametrize("name", ["IMG 7.JPG", "crack.jpeg", "å.png"])
def test_a_photo_of_a_log_keeps_its_name_and_is_found_by_it(tmp_path, name):
    keep_named(tmp_path, name, PNG)
    keep_named(tmp_path, name, PNG)
    assert find(tmp_path, name)[0].read_bytes() == PNG
    with pytest.raises(RimqcError, match="another photo of that name"):
        keep_named(tmp_path, name, PNG + b"x")
    assert find(tmp_path, name)[0].read_bytes() == PNG


def test_photos_lie_beside_an_sqlite_file(tmp_path):
    assert photo_folder(f"sqlite:///{tmp_path}/shop.sqlite") == tmp_path / "shop_photos"
