"""The other papers: read back, each for what a person takes it in hand for."""

import datetime as dt
import io

import pypdf
import pytest

from qc.errors import RimqcError
from qc.reports import batch, claims, gauges, impact, labels
from tests.maker import accept, record, run
from tests.reports.shop import LONG, STRUCK, WHOLE, about, scanned, words_of


def test_the_release_sheet_says_of_each_part_what_it_has_and_misses(shop):
    accept(shop, [record("disposition", batch="B1", serial=None, reason="resin in question")])
    decided = {"serial": WHOLE, "decision": "release", "reason": "fine", "inspector": "eve"}
    accept(shop, [record("disposition", taken_at="2026-02-03T09:30:00", **decided)])
    with shop.reading() as connection:
        said = words_of(batch.release(*about(shop, connection), "B1"))
        with pytest.raises(RimqcError, match="no batch B9"):
            batch.release(*about(shop, connection), "B9")
    assert "BATCH NOT RELEASED" in said
    assert "R1 ✕ held 3 of 3 – – – release, eve, 2026-02-03 09:30" in said
    assert "R2 ✕ struck, never ships 0 of 3 weighing, runout-lateral, inspection struck" in said
    assert "hold resin in question ann" in said
    assert LONG in "".join(said.split())


def test_the_claims_audit_counts_what_was_weighed_in_the_period_and_says_where_numbers_are_from(
    shop,
):
    accept(shop, [record("weighing", serial=LONG, gross_g=449, taken_at="2026-03-01T23:30:00")])
    pages = {}
    with shop.reading() as connection:
        for since, until in (("2026-02-01", "2026-02-28"), ("2026-03-01", "2026-03-01")):
            days = map(dt.date.fromisoformat, (since, until))
            pages[since] = words_of(claims.audit(*about(shop, connection), *days))
    assert "Mean 451.2 g – sum of the masses of 1 part by their number" in pages["2026-02-01"]
    # half past eleven at night of the last day is of the period
    assert "Mean 449.0 g – sum of the masses of 1 part" in pages["2026-03-01"]
    assert "catalog, holding from 2026-01-01; rule simple" in pages["2026-03-01"]
    assert "it takes 6 batches" in pages["2026-03-01"]
    assert "gauge S1 0.3 g" in pages["2026-03-01"]


def test_the_impact_report_says_what_was_struck_and_no_more_than_it_shows(shop):
    with shop.reading() as connection:
        said = words_of(impact.report(*about(shop, connection, "letter"), "P40"))
        with pytest.raises(RimqcError, match="no impact test of protocol P41"):
            impact.report(*about(shop, connection), "P41")
    assert (
        "At the required 2 ×: 1 of 1 survived. At least 5 % survive with 95 % confidence." in said
    )
    assert "R2 T-1 B1 2026-02-02 2 × not failed – random –" in said
    assert "× standard impact; solid: survive" in said


def test_the_gauge_list_says_what_is_overdue_and_how_the_last_checks_came_out(shop):
    with shop.reading() as connection:
        *known, printed = about(shop, connection)
        day = printed._replace(at=dt.datetime(2026, 3, 20, 12, tzinfo=dt.UTC))
        said = words_of(gauges.listing(*known, day))
    assert "4 gauges: 1 overdue, none with readings in doubt" in said
    assert "S2 mass, g ✕ overdue since 2026-02-20 none never checked" in said
    assert "✓ 2026-03-10 calibration, as found, by ann: off by ±0 g, 1 g allowed" in said


def made(shop, serials, form, start=1):
    with shop.reading() as connection:
        return labels.labels(labels.tags(connection, serials), form, start)


def test_labels_on_a_sheet_begin_where_the_used_part_ends_and_are_scanned_back(shop):
    form = labels.sheet("a4", 2, 7, side=8, top=12, gap_x=2, gap_y=0)
    pdf = made(shop, [WHOLE, LONG], form, start=14)
    assert len(pypdf.PdfReader(io.BytesIO(pdf)).pages) == 2
    assert scanned(pdf, 0) == [("Code 128", WHOLE), ("QR Code", WHOLE)]
    # bars of 64 characters would be too fine for any label: the QR code alone holds it
    assert scanned(pdf, 1) == [("QR Code", LONG)]
    assert LONG in "".join(words_of(pdf).split())
    with pytest.raises(RimqcError, match="places 1 to 14"):
        made(shop, [WHOLE], form, start=15)


def test_a_roll_has_a_page_a_label_of_its_size(shop):
    pdf = made(shop, [WHOLE, STRUCK], labels.roll(62, 29))
    pages = pypdf.PdfReader(io.BytesIO(pdf)).pages
    assert [round(float(p.mediabox.width) / 72 * 25.4) for p in pages] == [62, 62]
    assert scanned(pdf, 0) == [("Code 128", WHOLE), ("QR Code", WHOLE)]
    assert "NOT FOR USE" not in pages[0].extract_text()
    assert "STRUCK · NOT FOR USE" in pages[1].extract_text()


def test_a_label_too_small_for_its_code_is_refused(shop):
    with pytest.raises(RimqcError, match=r"cells would be 0\.\d+ mm, 0.25 mm is the least"):
        made(shop, [LONG], labels.roll(40, 12))
    with pytest.raises(RimqcError, match="9 mm each way is the least"):
        made(shop, [WHOLE], labels.sheet("a4", 30, 8, side=7, top=13, gap_x=2.5, gap_y=0))


def test_the_command_names_its_files_and_writes_over_nothing(shop, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for words in (
        ["part", WHOLE], ["batch", "B1"], ["claims", "--from", "2026-02-01", "--to", "2026-02-28"],
        ["impact", "P40", "--model", "D50"], ["gauges"], ["labels", "--batch", "B1"],
        ["struck", STRUCK],
    ):  # fmt: skip
        code, out, err = run("report", *words, "--db", shop.url, "--format", "json")
        assert (code, err) == (0, ""), words
        assert '"paper"' in out
    names = {path.name for path in tmp_path.glob("*.pdf")}
    assert {"record-of-part_R1.pdf", "claims-audit_2026-02-01_2026-02-28.pdf"} < names
    assert len(names) == 7
    code, _, err = run("report", "part", WHOLE, "--db", shop.url)
    assert (code, "--force" in err) == (1, True)
    assert run("report", "part", WHOLE, "--force", "--paper", "letter", "--db", shop.url)[0] == 0
    for words, code in (
        (["struck", WHOLE], 1), (["labels"], 2), (["labels", WHOLE, "--batch", "B1"], 2),
        (["labels", "R77"], 1), (["labels", "--batch", "B3"], 1), (["labels", "--batch", "B7"], 1),
    ):  # fmt: skip
        assert run("report", *words, "--db", shop.url)[0] == code, words
