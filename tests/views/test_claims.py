"""What may be published, and what the answer was on a past day."""

import datetime as dt
import json
import random
from pathlib import Path

import pytest
from sqlalchemy import select

from qc.ledger.ledger import Ledger
from qc.ledger.tables import Journal
from qc.records.kinds import Record
from qc.views.claim_parts import batch_masses, masses
from qc.views.claims import claims
from tests.maker import (
    CATALOG,
    accept,
    answer,
    correction,
    fields,
    follows,
    record,
    run,
    take_catalog,
    write_jsonl,
    write_shop,
)


def catalog_of(batches: int) -> str:
    """The maker's catalog with so many batches more, a day apart."""
    start = dt.date(2026, 1, 4)
    return CATALOG + "".join(
        f'[[batch]]\ncode = "C{i:02}"\nmodel = "D50"\nmade_on = {start + dt.timedelta(i)}\n'
        "quantity = 5\n"
        for i in range(batches)
    )


def weighed(
    levels: list[float], parts: int = 3, stage: str = "rim", spread: float = 1.0
) -> list[Record]:
    """`parts` parts a batch about these levels, all received first."""
    chance, records = random.Random(7), []
    for i, level in enumerate(levels):
        for n in range(parts):
            serial = f"{stage[:2]}-{i:02}-{n}"
            grams = round(level + chance.gauss(0, spread), 1)
            records += [
                record("receipt", serial=serial, batch=f"C{i:02}"),
                record("weighing", serial=serial, stage=stage, gross_g=grams),
            ]
    return records


def steady(count: int, level: float = 450) -> list[float]:
    chance = random.Random(count)
    return [level + chance.gauss(0, 1) for _ in range(count)]


@pytest.fixture
def shop(ledger: Ledger, tmp_path: Path) -> Ledger:
    take_catalog(ledger, tmp_path, catalog_of(40))
    return ledger


def row_of(ledger: Ledger, stage: str = "rim", day: dt.date | None = None) -> dict[str, object]:
    with ledger.reading() as connection:
        rows = claims(connection, ledger.known(connection).catalog, day)
    return next(row for row in rows if (row["model"], row["stage"]) == ("D50", stage))


def test_five_batches_support_no_claim_and_the_answer_says_how_many_it_takes(shop: Ledger) -> None:
    accept(shop, weighed(steady(5), parts=8))
    row = row_of(shop)
    assert row["supported_claim_g"] is None
    assert "it takes 6 batches, there are 5 so far" in row["supported_reason"]


def test_six_batches_support_a_claim_below_which_nearly_all_parts_stay(shop: Ledger) -> None:
    accept(shop, weighed(steady(6)))
    row = row_of(shop)
    assert row["supported_claim_g"] + 10 > row["mean_g"] + 1.645 * row["sd_g"]
    assert (row["supported_batches"], row["supported_from"], row["moved_at"]) == (6, "C00", None)
    assert "as 6 batches show" in row["supported_reason"]


def test_a_level_that_just_moved_supports_no_claim_and_the_batch_is_named(shop: Ledger) -> None:
    accept(shop, weighed(steady(14) + steady(3, 460)))
    row = row_of(shop)
    assert (row["supported_claim_g"], row["moved_at"]) == (None, "C14")
    assert "the level moved with batch C14" in row["supported_reason"]
    assert "needs 8 batches, there are 3 so far" in row["supported_reason"]


def test_once_settled_the_new_level_alone_supports_the_claim(shop: Ledger) -> None:
    accept(shop, weighed(steady(14) + steady(9, 460)))
    row = row_of(shop)
    assert (row["supported_from"], row["supported_batches"]) == ("C14", 9)
    assert row["bias_g"] == pytest.approx(10, abs=1.5)
    assert row["supported_claim_g"] > 450


def test_a_narrow_band_below_is_told_beside_the_supported_claim(
    shop: Ledger, tmp_path: Path
) -> None:
    accept(shop, weighed(steady(12)))
    assert row_of(shop)["supported_light_holds"] is True
    narrow = catalog_of(40).replace("over_g = 10\nunder_g = 15", "over_g = 1\nunder_g = 1")
    take_catalog(shop, tmp_path, narrow)
    row = row_of(shop)
    assert row["supported_light_holds"] is False
    assert "The light side is not shown" in row["supported_reason"]


def test_what_the_scale_gives_every_part_stands_in_a_line_of_its_own(shop: Ledger) -> None:
    accept(shop, weighed(steady(10)))
    row = row_of(shop)
    # the scale's u of 0.3 g is common; its 0.1 g readout is each part's own: 0.1/sqrt(12)
    assert row["common"] == [{"source": "gauge:S1", "u_g": pytest.approx(0.3)}]
    assert row["u_common_g"] == pytest.approx(0.3)
    assert row["measuring_sd_g"] == pytest.approx(0.1 / 12**0.5)
    assert row["part_sd_g"] < row["within_sd_g"]
    assert row["bias_upper_g"] - row["bias_g"] > 1.96 * 0.3


def test_the_chance_of_50_g_over_is_small_for_a_maker_who_weighs_true(shop: Ledger) -> None:
    accept(shop, weighed(steady(10)))
    row = row_of(shop)
    assert row["far_over_g"] == 50
    assert 0 < row["far_over_chance"] <= row["far_over_upper"] < 0.001
    heavy = [record("receipt", serial="H", batch="C20"),
             record("weighing", serial="H", gross_g=520)]  # fmt: skip
    accept(shop, heavy)
    assert row_of(shop)["far_over_chance"] > row["far_over_chance"]


def test_a_pair_to_come_is_predicted_from_the_wheels_it_is_built_of(shop: Ledger) -> None:
    levels = steady(8, 820), steady(8, 900)
    built = [
        record("build", serial=f"{stage[:2]}-{i:02}-{n}", stage=stage, pair=f"P{i}-{n}")
        for stage in ("front-wheel", "rear-wheel")
        for i in range(8)
        for n in range(3)
    ]
    accept(shop, weighed(levels[0], stage="front-wheel"))
    accept(shop, weighed(levels[1], stage="rear-wheel"))
    accept(shop, built)
    row = row_of(shop, "pair")
    (pair,) = row["pairs"]
    assert (pair["front"], pair["rear"], row["n"]) == ("D50", "D50", 24)
    assert pair["mean_g"] == pytest.approx(pair["weighed_mean_g"])
    assert pair["lower_g"] < pair["mean_g"] < pair["upper_g"]
    # one scale weighed both wheels: its errors add up, 0.3 + 0.3
    assert pair["u_common_g"] == pytest.approx(0.6)
    assert row_of(shop, "pair", dt.date(2026, 12, 1))["pairs"] == row["pairs"]


def test_the_figure_reads_the_newest_batches_only_and_the_others_as_sums(shop: Ledger) -> None:
    accept(shop, weighed(steady(10)))
    with shop.reading() as connection:
        catalog = shop.known(connection).catalog
        found = masses(connection, catalog, "D50", "rim", most=7)
        every = masses(connection, catalog, "D50", "rim")
        batches = batch_masses(connection, catalog, "D50", "rim")
        one = masses(connection, catalog, "D50", "rim", most=2)
    assert [row["batch"] for row in found] == ["C08"] * 3 + ["C09"] * 3
    assert [row["serial"] for row in one] == ["ri-09-0", "ri-09-1"]
    assert [b["batch"] for b in batches] == [f"C{i:02}" for i in range(10)]
    for batch in batches:
        grams = [row["bare_g"] for row in every if row["batch"] == batch["batch"]]
        assert (batch["n"], batch["least_g"], batch["most_g"]) == (3, min(grams), max(grams))
        assert batch["mean_g"] == pytest.approx(sum(grams) / 3)


def test_a_correction_and_a_failed_check_count_from_their_own_day(shop: Ledger) -> None:
    slip = record("weighing", serial="R1", gross_g=470, taken_at="2026-02-02T10:00:00")
    accept(shop, [
        record("receipt"), slip,
        correction(slip, replacement=fields("weighing", gross_g=447),
                   taken_at="2026-02-10T09:00:00"),
        record("receipt", serial="R2"),
        record("weighing", serial="R2", gauge="S2", gross_g=455),
        record("gauge-check", gauge="S2", reading=503, taken_at="2026-02-12T08:00:00"),
    ])  # fmt: skip

    def seen(day: int) -> tuple[object, object]:
        row = row_of(shop, day=dt.date(2026, 2, day))
        return row["n"], row["most_g"]

    assert [seen(day) for day in (1, 2, 9, 10, 11, 12)] == [
        (0, None), (2, 470), (2, 470), (2, 455), (2, 455), (1, 447),
    ]  # fmt: skip


def test_the_day_ends_at_the_sites_own_midnight(shop: Ledger) -> None:
    accept(shop, [record("receipt", taken_at="2026-07-01T08:00:00"),
                  record("weighing", taken_at="2026-07-01T23:59:59"),
                  record("receipt", serial="R2", taken_at="2026-07-01T08:00:00"),
                  record("weighing", serial="R2", taken_at="2026-07-02T00:00:00")])  # fmt: skip
    assert row_of(shop, day=dt.date(2026, 7, 1))["n"] == 1
    assert row_of(shop, day=dt.date(2026, 7, 2))["n"] == 2


def test_the_claim_is_the_one_in_force_that_day(shop: Ledger, tmp_path: Path) -> None:
    later = catalog_of(40) + (
        '[[claim]]\nmodel = "D50"\nstage = "rim"\nclaimed_g = 440\nover_g = 5\nunder_g = 15\n'
        "from = 2026-02-10\n"
    )
    take_catalog(shop, tmp_path, later)
    accept(shop, [record("receipt")])
    assert row_of(shop, day=dt.date(2026, 2, 9))["claimed_g"] == 450
    assert row_of(shop, day=dt.date(2026, 2, 10))["claimed_g"] == 440


@pytest.mark.parametrize("day", ["2026-02-16", "2026-02-20", "2026-02-23"])
def test_a_past_answer_is_that_of_a_ledger_that_never_got_more(tmp_path: Path, day: str) -> None:
    """Every kind of record of a few weeks, with doubted scales, pairs, holds and later slips."""
    whole = tmp_path / "whole"
    whole.mkdir()
    write_shop(whole)
    until = dt.datetime.fromisoformat(f"{day}T23:59:59.999999+00:00")  # Lisbon in winter
    db, cut_db = (f"sqlite:///{tmp_path}/{name}.sqlite" for name in ("all", "cut"))
    assert run("import", whole, "--db", db)[0] in (0, 1)
    with Ledger(db) as ledger, ledger.reading() as connection:
        before = follows(connection)
        query = select(Journal.body).where(Journal.taken_at <= until).order_by(Journal.position)
        bodies = [json.loads(text) for (text,) in connection.execute(query)]
    cut = tmp_path / "cut"
    cut.mkdir()
    (cut / "catalog.toml").write_text((whole / "catalog.toml").read_text())
    write_jsonl(cut / "all.jsonl", bodies)
    report = answer(cut_db, "import", cut)
    assert (report["refused"], report["accepted"] > len(bodies)) == (0, True)
    then = answer(db, "claims", "--at", day)
    assert then == answer(cut_db, "claims")
    assert then != answer(db, "claims")
    with Ledger(db) as ledger, ledger.reading() as connection:
        assert follows(connection) == before


def test_a_day_that_is_none_is_refused_in_words(tmp_path: Path) -> None:
    code, _, said = run("claims", "--at", "2026-02-30", "--db", f"sqlite:///{tmp_path}/no.sqlite")
    assert code == 2
    assert "a day as YYYY-MM-DD is needed: '2026-02-30'" in said
