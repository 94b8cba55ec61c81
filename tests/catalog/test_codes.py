"""Records and entries that name what the catalog does not know, and weights in another unit."""

import datetime as dt
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from qc.catalog.catalog import Catalog, Recorded
from qc.catalog.checks import entry_checker
from qc.catalog.codes import code_checker
from qc.catalog.toml_file import read_entry
from qc.records.parsing import RecordParser, Refused
from tests.records.examples import COMMON, SMALLEST

PARSER = RecordParser(ZoneInfo("Europe/Lisbon"))
MODEL = {"depth_mm": "50", "brake": "disc", "tyre": "tubeless", "spokes": "24"}
TABLES: list[tuple[str, dict[str, Any]]] = [
    ("model", {"code": "D50", **MODEL}),
    ("model", {"code": "R30", **MODEL}),
    ("claim", {"model": "D50", "stage": "rim", "claimed_g": "412", "over_g": "9", "under_g": "9",
               "from": "2026-01-01"}),
    ("claim", {"model": "R30", "stage": "rim", "claimed_g": "380", "over_g": "9", "under_g": "9",
               "from": "2026-01-01"}),
    ("claim", {"model": "D50", "stage": "pair", "claimed_g": "1500", "over_g": "9",
               "under_g": "9", "from": "2026-01-01"}),
    ("fitted_part", {"code": "tape", "mass_g": "17.5", "u_g": "0.3"}),
    *(("gauge", {"code": code, "measures": "mass", "unit": "g", "resolution": "0.1", "u": "0.2"})
      for code in ("S1", "C1", "C2", "D1")),
    ("characteristic", {"code": "width", "unit": "mm", "name": "Inner width"}),
    ("protocol", {"code": "P1", "stage": "rim", "standard_energy_j": "40",
                  "required_multiple": "1", "method": "repeat", "positions_deg": ["0"],
                  "fails_at": "crack"}),
    ("batch", {"code": "B1", "model": "D50", "made_on": "2026-03-02", "quantity": "40"}),
]  # fmt: skip
PEOPLE = [
    ("station", {"code": "bench", "name": "Bench"}),
    ("inspector", {"code": "jo", "name": "Jo"}),
]


def entry(table: str, **keys: Any):
    return read_entry(table, keys)[0]


def catalog(tables: list[tuple[str, dict[str, Any]]]) -> Catalog:
    at = dt.datetime(2026, 1, 5, tzinfo=dt.UTC)
    return Catalog(Recorded(str(n), n, at, entry(t, **k)) for n, (t, k) in enumerate(tables, 1))


CHECK = code_checker(catalog(TABLES))


def parse(kind: str, **more: Any):
    return PARSER.from_object({"kind": kind, **COMMON, **SMALLEST[kind], **more})


def refusal(check, record) -> Refused:
    with pytest.raises(Refused) as refused:
        check(record)
    return refused.value


@pytest.mark.parametrize("kind", SMALLEST)
def test_a_record_that_names_only_known_codes_passes(kind):
    CHECK(parse(kind))


@pytest.mark.parametrize(
    ("kind", "field", "code", "near"),
    [
        ("receipt", "model", "D51", "D50"),
        ("receipt", "batch", "B11", "B1"),
        ("receipt", "model", "d50", "D50"),
        ("weighing", "gauge", "S2", "S1"),
        ("runout", "gauge", "C11", "C1"),
        ("measurement", "characteristic", "widht", "width"),
        ("measurement", "gauge", "C22", "C2"),
        ("drop", "protocol", "P11", "P1"),
        ("drop", "gauge", "D11", "D1"),
        ("gauge-check", "gauge", "S11", "S1"),
    ],
)
def test_an_unknown_code_is_refused_with_the_nearest_known(kind, field, code, near):
    refused = refusal(CHECK, parse(kind, **{field: code}))
    assert (refused.field, refused.value) == (field, code)
    assert f"nearest known: {near}" in refused.reason


def test_a_batch_named_alone_must_be_known_too():
    record = parse("disposition", serial=None, batch="B2")
    assert refusal(CHECK, record).field == "batch"
    assert "B1" in refusal(CHECK, record).reason


def test_among_thousands_of_batches_the_nearest_is_still_found():
    batches = [
        ("batch", {"code": f"B-{i:05}", "model": "D50", "made_on": "2026-01-05", "quantity": 9})
        for i in range(3000)
    ]
    many = code_checker(catalog([*TABLES, *batches]))
    refused = refusal(many, parse("receipt", batch="B-01234x"))
    assert "nearest known: B-01234" in refused.reason


def test_a_code_unlike_any_known_gets_no_guess():
    assert "nearest" not in refusal(CHECK, parse("weighing", gauge="zzzzzz")).reason


def test_a_part_must_be_of_its_batch_s_model():
    refused = refusal(CHECK, parse("receipt", model="R30"))
    assert (refused.field, refused.reason) == ("model", "batch B1 is of model D50")


def test_stations_and_people_are_checked_where_the_catalog_lists_them():
    listed = code_checker(catalog(TABLES + PEOPLE))
    listed(parse("shipment"))
    assert refusal(listed, parse("shipment", station="bensh")).field == "station"
    assert refusal(listed, parse("shipment", inspector="joe")).field == "inspector"
    CHECK(parse("shipment", station="anywhere", inspector="anybody"))


def test_a_fitted_part_must_be_in_the_catalog():
    CHECK(parse("weighing", fitted="tape:1"))
    refused = refusal(CHECK, parse("weighing", fitted="tapes:1"))
    assert (refused.field, refused.value) == ("fitted", "tapes")
    assert "nearest known: tape" in refused.reason


@pytest.mark.parametrize(
    ("gross", "guess"),
    [
        ("0.412", "is it in kilograms (412 g)?"),
        ("0.4056", "is it in kilograms (406 g)?"),
        ("14.53", "is it in ounces (412 g)?"),
        ("412000", "is it in milligrams (412 g)?"),
        ("5", "write the weight in grams"),
        ("99999", "write the weight in grams"),
    ],
)
def test_a_weight_in_another_unit_is_refused_with_a_guess(gross, guess):
    refused = refusal(CHECK, parse("weighing", gross_g=gross))
    assert refused.field == "gross_g"
    assert "380 to 412 g" in refused.reason
    assert guess in refused.reason


@pytest.mark.parametrize("gross", ["38", "4120", "412", "866"])
def test_a_weight_between_a_tenth_and_ten_times_the_claims_is_plausible(gross):
    CHECK(parse("weighing", gross_g=gross))


@pytest.mark.parametrize("gross", ["37.9999", "4120.0001"])
def test_a_weight_beyond_that_is_not(gross):
    assert refusal(CHECK, parse("weighing", gross_g=gross)).field == "gross_g"


def test_a_stage_without_a_claim_takes_any_weight():
    CHECK(parse("weighing", stage="rear-wheel", gross_g="0.9"))


@pytest.mark.parametrize(
    ("inner", "field"),
    [
        ({"gauge": "S2"}, "replacement.gauge"),
        ({"gross_g": "0.412"}, "replacement.gross_g"),
        ({"fitted": "tapes:1"}, "replacement.fitted"),
    ],
)
def test_what_replaces_a_record_passes_the_same_checks(inner, field):
    replacement = {"kind": "weighing", **COMMON, **SMALLEST["weighing"]}
    CHECK(parse("correction", void=None, replacement=replacement))
    wrong = parse("correction", void=None, replacement=replacement | inner)
    assert refusal(CHECK, wrong).field == field


def check_entries(*entries):
    return entry_checker(catalog(TABLES), entries)


def test_an_entry_may_name_what_its_own_file_brings():
    model = entry("model", code="X40", **MODEL)
    batch = entry("batch", code="B9", model="X40", made_on="2026-03-02", quantity="1")
    check_entries(batch, model)(batch)
    refused = refusal(check_entries(batch), batch)
    assert (refused.field, refused.value) == ("model", "X40")


@pytest.mark.parametrize(
    ("table", "keys"),
    [
        ("limit", {"characteristic": "width", "upper": "1", "model": "D55"}),
        ("runout_limit", {"direction": "radial", "stage": "rim", "limit_mm": "1", "model": "D55"}),
        ("balance_limit", {"stage": "rear-wheel", "limit_gmm": "1", "model": "D55"}),
        ("plan", {"model": "D55", "stage": "rim", "requires": ["weighing"]}),
        ("batch", {"code": "B2", "model": "D55", "made_on": "2026-03-02", "quantity": "1"}),
    ],
)
def test_an_entry_of_an_unknown_model_is_refused(table, keys):
    refused = refusal(check_entries(), entry(table, **keys))
    assert (refused.field, refused.value) == ("model", "D55")
    assert "nearest known: D50" in refused.reason


def test_a_limit_of_an_unknown_characteristic_is_refused():
    refused = refusal(check_entries(), entry("limit", characteristic="widths", upper="1"))
    assert refused.field == "characteristic"
    assert "nearest known: width" in refused.reason


@pytest.mark.parametrize(
    "item", ["receipt", "weighing", "runout-lateral", "runout-radial", "inspection", "balance",
             "build", "width"]
)  # fmt: skip
def test_a_plan_may_require_any_record_and_any_characteristic(item):
    check_entries()(entry("plan", model="D50", stage="rim", requires=[item]))


def test_a_plan_that_requires_what_is_not_known_is_refused():
    refused = refusal(
        check_entries(), entry("plan", model="D50", stage="rim", requires=["weighting"])
    )
    assert (refused.field, refused.value) == ("requires", "weighting")
    assert "nearest known: weighing" in refused.reason
