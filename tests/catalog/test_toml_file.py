"""`catalog.toml`: every table with every key, and refusals with the line of the entry."""

import datetime as dt
from decimal import Decimal
from pathlib import Path

import pytest

from qc.catalog.entries import TABLES, Batch, Claim, key_of
from qc.catalog.toml_file import FIELDS, read_catalog
from qc.records.parsing import Refused

# every key of every table, with a value that it takes
FULL = {
    "site": {"code": '"HQ"', "time_zone": '"Europe/Lisbon"'},
    "model": {
        "code": '"D50"', "depth_mm": "50", "brake": '"disc"', "tyre": '"tubeless"', "spokes": "24",
    },
    "claim": {
        "model": '"D50"', "stage": '"pair"', "claimed_g": "1549.5", "over_g": "30", "under_g": "0",
        "from": "2026-01-01", "rule": '"guarded"',
    },
    "fitted_part": {"code": '"tape"', "mass_g": "17.5", "u_g": "0.3", "sd_g": "0.1"},
    "gauge": {
        "code": '"S1"', "measures": '"mass"', "unit": '"g"', "resolution": "0.1", "u": "0.2",
        "due": "2026-12-31",
    },
    "characteristic": {"code": '"width"', "unit": '"mm"', "name": '"Inner width"'},
    "limit": {
        "characteristic": '"width"', "lower": "20.8", "upper": "21.2", "model": '"D50"',
        "stage": '"rim"', "severity": '"critical"', "rule": '"simple"', "source": '"drawing 7"',
    },
    "runout_limit": {
        "direction": '"lateral"', "stage": '"rim"', "limit_mm": "0.4", "model": '"D50"',
        "of": '"form"', "source": '"own rule"',
    },
    "finding_limit": {
        "zone": '"hook"', "defect": '"void"', "size_mm": "2", "severity": '"major"',
        "model": '"D50"', "source": '"own rule"',
    },
    "balance_limit": {
        "stage": '"front-wheel"', "limit_gmm": "600", "model": '"D50"', "source": '"own rule"',
    },
    "protocol": {
        "code": '"P1"', "stage": '"rim"', "standard_energy_j": "40", "required_multiple": "1.5",
        "method": '"step"', "positions_deg": "[0, 90, 182.5]", "fails_at": '"crack"',
        "change_limit_mm": "0.5", "energy_tolerance": "0.01", "position_tolerance_deg": "5",
        "striker": '"flat, 4 kg"', "tyre": '"none"', "strike": '"between"', "source": '"own rule"',
    },
    "plan": {"model": '"D50"', "stage": '"rim"', "requires": '["weighing", "inspection"]'},
    "batch": {"code": '"B1"', "model": '"D50"', "made_on": "2026-03-02", "quantity": "40"},
    "baseline": {
        "model": '"D50"', "characteristic": '"bare-mass"', "stage": '"rim"', "protocol": '"P40"',
        "batches": '["B1", "B2"]', "name": '"after the new mould"', "reason": '"it runs well"',
    },
    "station": {"code": '"bench"', "name": '"Weighing bench"'},
    "inspector": {"code": '"jo"', "name": '"Jo"'},
    "readout": {
        "gauge": '"S1"', "pattern": r"'(?P<value>[0-9.]+) (?P<unit>g)(?P<stable> !)?'",
        "unit": '"g"', "baud": "9600", "stable_mark": '"!"', "bits": "7", "parity": '"even"',
        "stop_bits": "2", "request": r"'V\r\n'",
    },
}  # fmt: skip
OPTIONAL = {
    "claim": {"rule"},
    "fitted_part": {"sd_g"},
    # a rule or a rig may never fall due
    "gauge": {"due"},
    "limit": {"lower", "upper", "model", "stage", "severity", "rule", "source"},
    "runout_limit": {"model", "of", "source"},
    "finding_limit": {"model", "source"},
    "balance_limit": {"model", "source"},
    "protocol": {
        "change_limit_mm", "energy_tolerance", "position_tolerance_deg", "striker", "tyre",
        "strike", "source",
    },
    "baseline": {"stage", "protocol"},
    "readout": {"stable_mark", "bits", "parity", "stop_bits", "request"},
}  # fmt: skip


def written(table: str, keys: dict[str, str]) -> str:
    header = "[site]" if table == "site" else f"[[{table}]]"
    return "\n".join([header, *(f"{name} = {value}" for name, value in keys.items()), ""])


@pytest.fixture
def read(tmp_path: Path):
    def reading(content: str | bytes):
        path = tmp_path / "catalog.toml"
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return list(read_catalog(path))

    return reading


@pytest.fixture
def one(read):
    def reading(table: str, **keys: str | None):
        wanted = {k: v for k, v in (FULL[table] | keys).items() if v is not None}
        (line,) = read(written(table, wanted))
        return line

    return reading


def refusal(line) -> Refused:
    assert line.entry is None
    assert line.refused is not None
    return line.refused


def test_every_table_and_key_is_tried_here():
    assert FULL.keys() == TABLES.keys()
    for table, fields in FIELDS.items():
        assert fields.keys() - {"from"} == FULL[table].keys() - {"from"}


@pytest.mark.parametrize("table", FULL)
def test_an_entry_with_every_key_is_read(one, table):
    line = one(table)
    assert line.refused is None
    assert line.unknown == ()
    assert line.line == 1


@pytest.mark.parametrize(
    ("table", "key"),
    [(t, k) for t, keys in FULL.items() for k in keys if k not in OPTIONAL.get(t, ())],
)
def test_a_key_that_the_table_needs_is_missed_by_its_name(one, table, key):
    refused = refusal(one(table, **{key: None}))
    assert refused.field == key
    assert refused.value is None


@pytest.mark.parametrize(
    ("table", "key"), [(table, key) for table, keys in OPTIONAL.items() for key in sorted(keys)]
)
def test_a_key_that_is_optional_may_be_left_out(one, table, key):
    assert one(table, **{key: None}).refused is None


@pytest.mark.parametrize("table", [table for table in FULL if table != "claim"])
def test_any_entry_may_say_from_when_it_holds(one, table):
    assert one(table, **{"from": "2026-04-01"}).entry.since == dt.date(2026, 4, 1)


def test_a_limit_has_a_lower_or_an_upper_end(one):
    assert refusal(one("limit", lower=None, upper=None)).field == "lower or upper"
    turned = refusal(one("limit", lower="21.3"))
    assert (turned.field, turned.value) == ("lower", "21.3")
    assert one("limit", lower="21.2", upper="21.2").refused is None


def test_what_is_not_said_has_the_usual_value(one):
    assert one("claim", rule=None).entry.rule == "simple"
    limit = one("limit", severity=None, rule=None).entry
    assert (limit.severity, limit.rule) == ("major", "simple")
    protocol = one("protocol", energy_tolerance=None, position_tolerance_deg=None).entry
    assert protocol.energy_tolerance == Decimal("0.02")
    assert protocol.position_tolerance_deg == 3
    assert one("fitted_part", sd_g=None).entry.sd_g == 0


@pytest.mark.parametrize(
    ("table", "key", "value"),
    [
        ("site", "time_zone", '"Europe/Lissabon"'),
        ("site", "time_zone", '"../etc/passwd"'),
        ("site", "time_zone", '"CEST+2"'),
        ("site", "code", '"H Q"'),
        ("model", "depth_mm", '"deep"'),
        ("model", "depth_mm", "0"),
        ("model", "depth_mm", "inf"),
        ("model", "depth_mm", "nan"),
        ("model", "depth_mm", "true"),
        ("model", "brake", '"drum"'),
        ("model", "spokes", "24.5"),
        ("claim", "stage", '"hub"'),
        ("claim", "claimed_g", "-1"),
        ("claim", "under_g", "-1"),
        ("claim", "from", '"1.1.2026"'),
        ("claim", "from", "2026-01-01T00:00:00Z"),
        ("claim", "rule", '"strict"'),
        ("gauge", "measures", '"time"'),
        ("gauge", "resolution", "-0.1"),
        ("finding_limit", "zone", '"hub"'),
        ("finding_limit", "severity", '"grave"'),
        ("runout_limit", "of", '"wobble"'),
        ("protocol", "method", '"random"'),
        ("protocol", "positions_deg", "[]"),
        ("protocol", "positions_deg", "[0, 360]"),
        ("protocol", "positions_deg", "0"),
        ("protocol", "fails_at", '"none"'),
        ("protocol", "standard_energy_j", "0"),
        ("protocol", "change_limit_mm", "0"),
        ("protocol", "strike", '"rim"'),
        ("plan", "requires", "[]"),
        ("plan", "requires", '"weighing"'),
        ("batch", "made_on", '"March"'),
        ("batch", "quantity", "0"),
        ("batch", "mould", "[1, 2]"),
    ],
)
def test_a_value_that_does_not_fit_is_refused_by_its_key(one, table, key, value):
    refused = refusal(one(table, **{key: value}))
    assert refused.field == key
    assert refused.reason.startswith("expected ")


def test_further_keys_of_a_batch_are_its_factors(one):
    batch = one(
        "batch", mould='"M3"', resin_lot='" R7 "', oven="2", cure_c="120.50", hot="true",
        laid="2026-03-01", since='"dawn"',
    ).entry  # fmt: skip
    assert isinstance(batch, Batch)
    assert batch.factors == {
        "mould": "M3", "resin_lot": "R7", "oven": "2", "cure_c": "120.5", "hot": "true",
        "laid": "2026-03-01", "since": "dawn",
    }  # fmt: skip


def test_7_and_7_0_and_quoted_7_are_one_level_of_a_factor(one):
    levels = {one("batch", oven=level).entry.factors["oven"] for level in ("7", "7.0", '"7"')}
    assert levels == {"7"}


def test_unknown_keys_of_other_tables_are_kept_and_named(one):
    line = one("model", colour='"black"', sizes="[1, 2]", since="2026-01-01", other='"x"')
    assert line.unknown == ("colour", "sizes", "since", "other")
    assert line.entry.other["colour"] == "black"
    assert line.entry.other["since"] == "2026-01-01"


def test_a_long_unknown_value_is_kept_whole(one):
    assert one("model", remark='"' + "x" * 500 + '"').entry.other["remark"] == "x" * 500
    assert refusal(one("model", remark='"' + "x" * 2001 + '"')).field == "remark"


@pytest.mark.parametrize(
    ("table", "near"),
    [("modle", "model"), ("runout-limit", "runout_limit"), ("gauges", "gauge"), ("plans", "plan")],
)
def test_an_unknown_table_is_refused_at_its_line_with_the_nearest_known(read, table, near):
    lines = read(written("station", FULL["station"]) + f"\n[[{table}]]\ncode = 'a'\n")
    refused = refusal(lines[1])
    assert lines[1].line == 5
    assert refused.field == "table"
    assert refused.reason.endswith(f"nearest known: {near}")


def test_a_key_outside_every_table_is_refused(read):
    assert refusal(read('title = "catalog"\n')[0]).value == "title"
    assert refusal(read('model = "D50"\n')[0]).field == "model"


def test_each_refusal_names_the_line_of_its_own_entry(read):
    good = written("model", FULL["model"])
    bad = written("model", FULL["model"] | {"code": '"D 50"'})
    lines = read("# models\n\n" + good + "\n" + bad + "\n" + written("station", FULL["station"]))
    assert [line.line for line in lines] == [3, 10, 17]
    assert [line.entry is None for line in lines] == [False, True, False]


@pytest.mark.parametrize(
    ("content", "line"),
    [
        ("[site]\ncode = \n", 2),
        ("[site]\ncode = 'HQ'\ncode = 'HR'\n", 3),
        ("[site]\n\n\ncode = 5x\n", 4),
        ("[site]\ncode = 'HQ'\n[site]\n", 3),
        ("[site]\ncode = ['HQ',\n\n", 4),
        ("[site", 1),
    ],
)
def test_a_file_that_is_no_toml_is_refused_once_with_the_line(read, content, line):
    (found,) = read(content)
    assert found.line == line
    assert refusal(found).reason.startswith("not a TOML file: ")


@pytest.mark.parametrize("content", [b"[site]\ncode = '\xff'", b"\xff\xfe[", b"a = " + b"[" * 9999])
def test_bytes_that_are_no_text_are_refused(read, content):
    (found,) = read(content)
    assert refusal(found).field == "catalog"


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_encodings_and_line_ends_are_those_of_the_logs(read, encoding, end):
    text = written("station", FULL["station"] | {"name": '"Prüfstand"'}).replace("\n", end)
    (line,) = read(text.encode(encoding))
    assert line.entry.name == "Prüfstand"


def test_an_empty_file_holds_nothing(read):
    assert read("") == []
    assert read("# nothing yet\n") == []


def test_an_entry_twice_with_the_same_content_is_one(read):
    claim = written("claim", FULL["claim"])
    again = written("claim", FULL["claim"] | {"claimed_g": "1549.50"})
    assert [line.refused for line in read(claim + again)] == [None, None]


def test_an_entry_twice_with_different_content_is_refused_at_the_second(read):
    claim = written("claim", FULL["claim"])
    lines = read(claim + written("claim", FULL["claim"] | {"claimed_g": "1550"}))
    assert isinstance(lines[0].entry, Claim)
    refused = refusal(lines[1])
    assert lines[1].line == 9
    assert "twice" in refused.reason
    assert refused.value == "claim D50 pair 2026-01-01"


def test_entries_of_one_name_that_hold_from_different_days_are_two(read):
    claim = written("claim", FULL["claim"])
    later = written("claim", FULL["claim"] | {"from": "2026-06-01", "claimed_g": "1550"})
    keys = {key_of(line.entry) for line in read(claim + later)}
    assert len(keys) == 2


def test_limits_of_different_scope_are_different_entries(read):
    limit = FULL["limit"]
    scopes = [
        written("limit", {k: v for k, v in limit.items() if k not in left_out})
        for left_out in ((), ("model",), ("stage",), ("model", "stage"))
    ]
    lines = read("".join(scopes))
    assert len({key_of(line.entry) for line in lines}) == 4
