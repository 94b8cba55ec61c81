"""The record of a part, and the check of one that somebody brings."""

import io

import pypdf
import pytest

from qc.errors import RimqcError
from qc.ledger.ledger import Ledger
from qc.reports import noted, part
from qc.reports.as_of import AsOf
from qc.reports.page import CAUTION
from qc.reports.stated import stated
from tests.maker import accept, correction, record, run
from tests.reports.shop import LONG, STRUCK, WHOLE, about, fill, scanned, words_of


def printed(ledger, serial=WHOLE, size="a4"):
    with ledger.reading() as connection:
        return part.record(*about(ledger, connection, size), serial)


def checked(ledger, pdf, tmp_path):
    file = tmp_path / "paper.pdf"
    file.write_bytes(pdf)
    note, words = part.read(file)
    with ledger.reading() as connection:
        catalog = ledger.known(connection).catalog
        return noted.check(connection, catalog, noted.read_note(note), words)


def test_the_record_states_mass_and_uncertainty_limits_and_how_it_was_measured(shop):
    said = words_of(printed(shop))
    # u² = 0.3² + 0.1²/12 by hand: 0.3014, expanded by 2: 0.60; two digits of it give the place
    assert "Rim 451.23 g 0.30 g 0.60 g 450 g +10/−15 +1.23 g ✓ conforms" in said
    assert "Rim: lateral run-out (TIR) 0.2 mm at most 0.4 mm ✓ conforms" in said
    # the calibration before the weighing counts, not the one a month after it
    assert "S1 2026-01-10 against E2 500 g, off by ±0 g, due 2026-11-01" in said
    assert "1 part of this batch struck as rim" in said
    assert "At the required 2 ×: 1 of 1 survived. At least 5 % survive" in said
    assert "Release may leave" in said
    assert " ".join(CAUTION.split()) in said
    assert "page 1 of 1" in said
    assert "certificate" not in said.lower().replace("--certificate", "")


def test_the_code_on_the_paper_reads_as_its_note(shop):
    ((kind, text),) = scanned(printed(shop))
    assert kind == "QR Code"
    note = noted.read_note(text)
    with shop.reading() as connection:
        _, catalog, printing = about(shop, connection)
        assert (note.serial, note.seal, note.digest) == (WHOLE, printing.seal, printing.digest)
        assert noted.check(connection, catalog, note)["outcome"] == "unchanged"


def test_the_same_record_has_the_same_digest_in_every_version_of_form_1(shop):
    # pinned: papers are out there; who changes a word of `stated` raises noted.FORM and this
    with shop.reading() as connection:
        _, catalog, printing = about(shop, connection)
        said = stated(AsOf(connection, catalog, printing.position), WHOLE)
    assert noted.FORM == 1
    assert noted.digest_of(said) == (
        "fbbac95bdadeed85e48a2e242fe9fa4a149b0fc14e7b9c7760cf6f4ecd2f1d2f"
    )


@pytest.mark.parametrize("size", ["a4", "letter"])
def test_a_part_that_may_not_leave_gets_a_paper_that_says_so_and_the_longest_serial_fits(
    shop, size
):
    pdf = printed(shop, LONG, size)
    said = words_of(pdf)
    assert "NOT RELEASED" in said
    assert "missing: weighing" in said
    assert LONG in "".join(said.split())
    assert any(LONG in text for _, text in scanned(pdf))
    width = {"a4": 595, "letter": 612}[size]
    assert int(pypdf.PdfReader(io.BytesIO(pdf)).pages[0].mediabox.width) == width


def test_a_struck_part_gets_no_record(shop):
    with pytest.raises(RimqcError, match=r"never ships.*report struck R2"):
        printed(shop, STRUCK)


def test_a_paper_stays_unchanged_while_other_parts_are_recorded(shop, tmp_path):
    pdf = printed(shop)
    accept(shop, [record("receipt", serial="R9"), record("weighing", serial="R9")])
    assert checked(shop, pdf, tmp_path)["outcome"] == "unchanged"


def test_what_changed_since_is_told_figure_by_figure(shop, tmp_path):
    pdf = printed(shop)
    weighed = record("weighing", gross_g="451.23")
    other = {"kind": "weighing", "serial": WHOLE, "stage": "rim", "gauge": "S1", "gross_g": "470",
             "station": "ST-1", "inspector": "ann", "taken_at": "2026-02-02T10:00:00"}  # fmt: skip
    accept(shop, [correction(weighed, replacement=other)])
    accept(shop, [record("disposition", taken_at="2026-04-01T08:00:00")])
    found = checked(shop, pdf, tmp_path)
    assert found["outcome"] == "changed-since"
    assert found["may_leave"] is False
    changes = {row["what"]: (row["stated"], row["now"]) for row in found["changes"]}
    assert changes["Rim"][0][0] == "451.23 g"
    assert changes["Rim"][1][0] == "470.00 g"
    assert changes["Release"] == (["may leave"], None)
    assert changes["Not released 1"] == (None, ["held by name: look again"])


def test_a_number_changed_on_the_paper_is_found(shop, tmp_path):
    with shop.reading() as connection:
        _, catalog, printing = about(shop, connection)
        said = stated(AsOf(connection, catalog, printing.position), WHOLE)
    note = noted.write_note(said, printing.seal, printing.digest)
    mass = (("Rim", "441.23 g", *said.sections["mass"][0][2:]),)
    forged = said._replace(sections={**said.sections, "mass": mass})
    found = checked(shop, part.paper(forged, printing, note), tmp_path)
    assert found["outcome"] == "altered"
    assert [row["what"] for row in found["changes"]] == ["Rim"]
    # and where the note was made anew to fit
    fitting = noted.write_note(forged, printing.seal, printing.digest)
    assert checked(shop, part.paper(forged, printing, fitting), tmp_path)["outcome"] == "altered"


def test_another_serial_another_database_and_a_cut_off_end_are_found(shop, sqlite, tmp_path):
    early = printed(shop)
    accept(shop, [record("receipt", serial="R9")])
    with shop.reading() as connection:
        _, catalog, printing = about(shop, connection)
        note = noted.read_note(scanned(early)[0][1])
        other = noted.check(connection, catalog, note._replace(serial=LONG))
        unknown = noted.check(connection, catalog, note._replace(serial="R77"))
        later = noted.check(connection, catalog, note._replace(seal=printing.seal + 1))
    assert (other["outcome"], unknown["outcome"], later["outcome"]) == (
        "altered", "altered", "not-ours"
    )  # fmt: skip
    (tmp_path / "b").mkdir()
    with Ledger(sqlite.new()) as elsewhere:
        fill(elsewhere, tmp_path / "b")
        assert checked(elsewhere, early, tmp_path)["outcome"] == "not-ours"


def test_the_command_checks_a_text_or_a_file_and_keeps_its_answer(shop, tmp_path):
    file = tmp_path / "p.pdf"
    assert run("report", "part", WHOLE, "--out", file, "--db", shop.url)[0] == 0
    code, out, _ = run("verify", "--certificate", file, "--db", shop.url)
    assert code == 0
    assert "Record of part R1: unchanged." in out
    text = scanned(file.read_bytes())[0][1]
    code, out, _ = run("verify", "--certificate", text, "--db", shop.url, "--format", "json")
    assert code == 0
    assert out.startswith('{\n "records": ')
    bad = text[:-1] + ("0" if text[-1] != "0" else "1")
    code, out, _ = run("verify", "--certificate", bad, "--db", shop.url)
    assert code == 1
    assert "ALTERED" in out
    for wrong in (
        "nothing",
        "rimqc 1 x",
        text.replace("rimqc 1", "rimqc 2"),
        file.with_suffix(".x"),
    ):
        assert run("verify", "--certificate", wrong, "--db", shop.url)[0] == 2
    (tmp_path / "no.pdf").write_bytes(b"no paper")
    assert run("verify", "--certificate", tmp_path / "no.pdf", "--db", shop.url)[0] == 1


def test_names_in_any_european_alphabet_are_printed_and_others_are_seen_to_be_missing(shop):
    reason = "Łukasz Dvořák, Ελένη, Жанна: 漢"
    accept(shop, [record("disposition", reason=reason)])
    said = words_of(printed(shop))
    assert "held by name: Łukasz Dvořák, Ελένη, Жанна: �" in said
