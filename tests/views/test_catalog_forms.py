"""Forms follow from the entry types, and what is typed becomes an entry or says why not."""

import datetime as dt
from decimal import Decimal
from pathlib import Path

import msgspec
import pytest
from hypothesis import given, settings

from qc.catalog.catalog import Catalog, Recorded
from qc.catalog.entries import TABLES, Batch, Claim, Entry, Limit, Protocol, table_of
from qc.catalog.toml_file import FIELDS, read_catalog
from qc.records.parsing import Refused
from qc.resources import folder
from qc.views import catalog_words
from qc.views.catalog_forms import factor_rows, form, read, refusal, typed_of

TODAY = dt.date(2026, 3, 10)
AT = dt.datetime(2026, 3, 1, tzinfo=dt.UTC)
CLAIM = {"model": "45D", "stage": "rim", "claimed_g": "470,5", "over_g": "17", "under_g": " 17 ",
         "rule": "", "from": "2026-12-01"}  # fmt: skip


def of_samples() -> Catalog:
    lines = read_catalog(Path(folder("sample_logs")) / "catalog.toml")
    held = [line.entry for line in lines if line.entry is not None]
    return Catalog(Recorded(f"r{i}", i, AT, entry) for i, entry in enumerate(held, 1))


SAMPLES = of_samples()


def said(table: str, typed: dict[str, object], entry: Entry | None = None) -> list[str]:
    found = read(SAMPLES, table, typed, entry)
    assert isinstance(found, list)
    return refusal(found)


@pytest.mark.parametrize("table", TABLES)
def test_a_new_entry_is_asked_for_every_key_of_its_type(table: str) -> None:
    asked = {field["name"] for field in form(SAMPLES, table, None, TODAY)}
    assert asked | {"from"} == set(FIELDS[table]) | {"from"}
    assert all(field["label"] and field["help"] for field in form(SAMPLES, table, None, TODAY))


def test_every_table_has_words() -> None:
    assert catalog_words.TABLES.keys() == TABLES.keys()


def test_a_form_sent_as_it_opened_says_what_the_entry_says() -> None:
    for held in (item.entry for item in SAMPLES.recorded):
        fields = form(SAMPLES, table_of(held), held, TODAY)
        typed = {field["name"]: field["start"] for field in fields}
        typed["factors"] = factor_rows(SAMPLES, held) if isinstance(held, Batch) else []
        found = read(SAMPLES, table_of(held), typed, held)
        assert isinstance(found, TABLES[table_of(held)])
        assert msgspec.structs.replace(found, since=held.since) == held


def test_a_decimal_comma_is_read_and_spaces_are_taken_off() -> None:
    found = read(SAMPLES, "claim", CLAIM)
    assert found == Claim(
        model="45D", stage="rim", claimed_g=Decimal("470.5"), over_g=Decimal(17),
        under_g=Decimal(17), since=dt.date(2026, 12, 1),
    )  # fmt: skip


def test_all_faults_are_named_at_once_with_field_value_and_rule() -> None:
    assert said("claim", CLAIM | {"claimed_g": "heavy", "over_g": "-3", "from": "1.12.2026"}) == [
        "Claimed mass: heavy was given; expected a number above 0.",
        "Allowed above: -3 was given; expected a number of 0 or more.",
        "Holds from: 1.12.2026 was given; expected a date such as 2026-03-31.",
    ]


def test_what_is_missing_is_named() -> None:
    assert said("claim", CLAIM | {"claimed_g": " "}) == [
        "Claimed mass: a claim needs this key; give it a value."
    ]
    (fault,) = said("claim", CLAIM | {"from": ""})
    assert fault.startswith("Holds from: a claim needs the date")


def test_a_code_that_the_catalog_does_not_know_names_the_nearest() -> None:
    (fault,) = said("claim", CLAIM | {"model": "45X"})
    assert "Model: 45X was given; not a model of the catalog; nearest known: 45D" in fault


def test_limits_the_wrong_way_round_are_refused() -> None:
    (fault,) = said("limit", {"characteristic": SAMPLES.codes(TABLES["characteristic"])[0],
                              "lower": "7", "upper": "6"})  # fmt: skip
    assert "above the upper limit 6" in fault


def test_positions_are_typed_with_spaces_between() -> None:
    protocol = SAMPLES.protocol("impact-repeat")
    assert protocol is not None
    typed = typed_of(protocol) | {"positions_deg": "0 90  182,5"}
    found = read(SAMPLES, "protocol", typed, protocol)
    assert isinstance(found, Protocol)
    assert found.positions_deg == (Decimal(0), Decimal(90), Decimal("182.5"))


def test_a_new_batch_is_offered_the_factors_of_the_last_without_their_values() -> None:
    rows = factor_rows(SAMPLES, None)
    assert "resin_lot" in dict(rows)
    assert set(dict(rows).values()) == {""}


BATCH = {"code": "45D-99", "model": "45D", "made_on": "2026-11-30", "quantity": "10"}


def test_factors_are_rows_and_empty_ones_are_left_out() -> None:
    rows = [("mould", "M1"), ("crew", " "), ("", ""), (" resin_lot ", "7.0")]
    found = read(SAMPLES, "batch", BATCH | {"factors": rows})
    assert isinstance(found, Batch)
    assert found.factors == {"mould": "M1", "resin_lot": "7.0"}


@pytest.mark.parametrize("rows", [[("", "M1")], [("mould", "1"), ("mould", "2")], [("model", "x")]])
def test_a_factor_needs_a_name_of_its_own(rows: list[tuple[str, str]]) -> None:
    (fault,) = said("batch", BATCH | {"factors": rows})
    assert fault.startswith("Factor: ")


def test_keys_that_only_the_shop_knows_stay_with_a_new_version() -> None:
    known = SAMPLES.entries(Limit)[0]
    marked = msgspec.structs.replace(known, other={"drawing": "7"})
    typed = {n: v for n, v in typed_of(marked).items() if n in ("lower", "upper")}
    mended = read(SAMPLES, "limit", typed, marked)
    assert isinstance(mended, Limit)
    assert mended.other == {"drawing": "7"}
    assert (mended.model, mended.stage) == (known.model, known.stage)


@settings(max_examples=50, deadline=None)
@given(...)
def test_whatever_is_typed_is_answered_and_never_a_fault(mass: str, since: str, model: str) -> None:
    found = read(SAMPLES, "claim", CLAIM | {"claimed_g": mass, "from": since, "model": model})
    assert isinstance(found, Claim) or all(isinstance(fault, Refused) for fault in found)
