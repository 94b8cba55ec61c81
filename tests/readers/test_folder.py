import itertools
from pathlib import Path

import pytest

from qc.readers.folder import log_files
from qc.readers.refusal import FileError


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    for name in (
        "weighing_march.csv", "a/runout.jsonl.gz", "a/b/drop.NDJSON", "a/catalog.toml", "z.csv.gz",
        "photo.jpg", "notes.txt", "other.toml", ".hidden.csv", ".trash/weighing.csv",
    ):  # fmt: skip
        file = tmp_path / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.touch()
    return tmp_path


def names(files: list[Path], shop: Path) -> list[str]:
    return [str(file.relative_to(shop)) for file in files]


def test_a_folder_gives_its_logs_catalog_first_and_passes_over_photos_and_hidden_files(shop):
    assert names(log_files([shop]), shop) == [
        "a/catalog.toml", "a/b/drop.NDJSON", "a/runout.jsonl.gz", "weighing_march.csv", "z.csv.gz",
    ]  # fmt: skip


def test_the_order_of_arguments_never_matters_and_a_file_named_twice_comes_once(shop):
    paths = [shop, shop / "a", shop / "z.csv.gz", shop / "a" / ".." / "weighing_march.csv"]
    answers = [log_files(order) for order in itertools.permutations(paths)]
    assert all(answer == answers[0] for answer in answers)
    assert len(answers[0]) == 5


def test_a_relative_and_an_absolute_path_to_one_log_are_one(shop, monkeypatch):
    monkeypatch.chdir(shop)
    assert len(log_files([Path("weighing_march.csv"), shop / "weighing_march.csv"])) == 1


def test_a_link_keeps_its_own_name_since_the_name_tells_the_kind(shop):
    link = shop / "links" / "runout_may.csv"
    link.parent.mkdir()
    link.symlink_to(shop / "photo.jpg")
    assert log_files([link]) == [link]


def test_a_link_to_a_log_already_read_adds_nothing(shop):
    (shop / "again.csv").symlink_to(shop / "weighing_march.csv")
    assert names(log_files([shop]), shop).count("weighing_march.csv") == 0
    assert names(log_files([shop]), shop).count("again.csv") == 1


def test_a_broken_link_in_a_folder_is_passed_over(shop):
    (shop / "gone.csv").symlink_to(shop / "nowhere")
    assert "gone.csv" not in names(log_files([shop]), shop)


def test_a_folder_that_links_to_itself_ends(shop):
    (shop / "a" / "loop").symlink_to(shop)
    assert len(log_files([shop])) == 5


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("nowhere.csv", "cannot be read"),
        ("weighing_march.csv/inner.csv", "cannot be read"),
        ("nul\0.csv", "cannot be read"),
        ("photo.jpg", "no known form"),
        ("other.toml", "no known form"),
    ],
)
def test_a_path_that_is_no_log_is_named_in_the_error(shop, name, says):
    with pytest.raises(FileError, match=says) as error:
        log_files([shop / name])
    assert name in str(error.value)


def test_a_device_is_no_log(tmp_path):
    link = tmp_path / "weighing.csv"
    link.symlink_to("/dev/null")
    with pytest.raises(FileError, match="neither a file nor a folder"):
        log_files([link])
