"""README.md of the sample logs: what is in the folder, and each planted fault by its serials."""

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Any


def text(plants: dict[str, Any]) -> str:
    """The whole page."""
    parts = (_opening(plants), _files(), _faults(plants["plants"]), _quiet(plants))
    return "\n".join(parts)


def _table(rows: Sequence[tuple[object, ...]], *heads: str) -> str:
    lines = ["| " + " | ".join(heads) + " |", "|" + " --- |" * len(heads)]
    lines += ["| " + " | ".join(map(str, row)) + " |" for row in rows]
    return "\n".join(lines) + "\n"


def _serials(serials: Sequence[str]) -> str:
    """Serials, those of one batch together: `45D-20-` 01 02 03."""
    by_batch = groupby(sorted(serials), key=lambda serial: serial.rpartition("-")[0])
    return "; ".join(
        f"`{batch}-` " + " ".join(serial.rpartition("-")[2] for serial in group)
        for batch, group in by_batch
    )


def _codes(codes: Sequence[str]) -> str:
    return ", ".join(f"`{code}`" for code in codes)


def _opening(plants: dict[str, Any]) -> str:
    counts = plants["counts"]
    return f"""# A half year of an invented maker

{plants["maker"]} does not exist. Its logs of May to November 2026 are made by `make.py` (seed
{plants["seed"]}, standard library only) so that every fault in them is known beforehand.
`python make.py FOLDER` writes them again, the same bytes every time (of the `.gz` files the same
content; their bytes may differ where another zlib packs them). This page and `plants.json`, which
says the same for programs, are written with them. Limits and energies are settings of this
invented shop, no advice; the 40 J come from two trade pages, not confirmed: confirm in your shop.

{counts["rims"]} rims in {counts["catalog"]["batch"]} batches of four models:
{counts["records_in_all"]} records in {counts["log_files"]} log files,
{counts["catalog_in_all"]} catalog entries. Serials are model, batch and number: `45D-20-07`. One
batch is made each working day, the shop is closed from 10 to 21 August.

{_table(list(counts["records"].items()), "kind", "records")}"""


def _files() -> str:
    rows = [
        ("`catalog.toml`", ("models, claims (rims: a tighter band from 2026-08-01), limits, "
         "gauges, protocols, plans, batches with their factors")),
        ("`rim-bench/`", ("comma CSV, kind in the file's name, local times; run-out traces "
         "gzipped; `looks_…` is tab-separated with a `kind` column; `weighing-rims_…` has a "
         "column of its own, `room_c`, that is no field of a weighing")),
        ("`wheel-bench/`", ("semicolon CSV with decimal comma and CRLF, `balance_…` with a "
         "byte-order mark, `weighing_wheels_…` with `record_id` and offsets; `tablet_…` is JSON "
         "Lines with two kinds")),
        ("`drop-rig/`", ("gzipped JSON Lines with `record_id`; in some sound repeat tests the "
         "first three hits on each position are `not-examined`, the later ones are examined")),
        ("`gauges/`", "comma CSV of all stations' checks, times with offset"),
        ("`desk/`", "JSON Lines (`.ndjson`): decisions, shipments, a return, a correction"),
    ]  # fmt: skip
    return "## Files\n\n" + _table(rows, "place", "form")


def _faults(plants: dict[str, Any]) -> str:
    rows = [(n, *row) for n, row in enumerate(_fault_rows(plants), 1)]
    return "## Planted faults\n\n" + _table(rows, "", "fault", "where", "what it raises")


def _fault_rows(plants: dict[str, Any]) -> Iterator[tuple[str, str, str]]:
    heavy, creep = plants["over_claim_batch"], plants["creeping_mould"]
    yield (
        (
            f"a new resin lot, `{heavy['resin_lot']}`, makes {heavy['model']} rims "
            f"{heavy['shift_g']} g heavier, its first batch {heavy['first_batch_shift_g']:.0f} g"
        ),
        (
            f"batch `{heavy['batch']}`, all rims: {_serials(heavy['serials'])}; later batches of "
            f"the lot within the claim: {_codes(heavy['later_batches'])}"
        ),
        (
            "`weight-over-claim` (rim) for every rim of the first batch; `drift` of `bare-mass` at "
            "`rim` from that batch on (batch to batch the standard deviation is 1.2 g)"
        ),
    )
    yield (
        (
            f"a mould wears: lateral form of its bare rims rises from {creep['first_level_mm']} to "
            f"{creep['last_level_mm']} mm on average (limit {creep['limit_mm']} mm)"
        ),
        f"mould `{creep['mould']}` of model {creep['model']}: {_codes(creep['batches'])}",
        (
            f"`runout-lateral` (rim) for {_serials(creep['over_limit'])}; `drift` of "
            "`form-lateral` at `rim`"
        ),
    )
    yield from _impact_rows(plants)
    yield from _gauge_and_part_rows(plants)


def _impact_rows(plants: dict[str, Any]) -> Iterator[tuple[str, str, str]]:
    weak, broken = plants["weak_batch"], plants["failed_at_standard"]
    tests = "; ".join(
        f"`{t['serial']}` test `{t['test']}` survived {t['survived']}, failed at {t['failed']}"
        for t in weak["tests"]
    )
    yield (
        "a weak batch: all rims struck break after the first hit and before the tenth",
        f"`{weak['batch']}`, the only one of fibre lot `{weak['fibre_lot']}`: {tests}",
        "`impact-early`, major, for each test; the batch is held",
    )
    (test,) = broken["tests"]
    yield (
        "a rim is damaged by its first hit on one position at the standard energy",
        (
            f"`{test['serial']}`, test `{test['test']}`, batch `{broken['batch']}`; "
            f"{len(broken['sound_tests'])} more rims of the batch bore the hits, it was released"
        ),
        "`impact-below-standard`, critical",
    )


def _gauge_and_part_rows(plants: dict[str, Any]) -> Iterator[tuple[str, str, str]]:
    scale, light, due = plants["scale_off"], plants["light_part"], plants["gauge_overdue"]
    void, slip = plants["large_void"], plants["typing_slip"]
    yield (
        (
            f"scale `{scale['gauge']}` reads {scale['off_g']} g too much; passed on "
            f"{scale['last_good_check']}, failed on {scale['failed_check']}, adjusted and passed "
            f"on {scale['passed_again']}"
        ),
        (
            f"weighed meanwhile: batches {_codes(scale['batches'])}; measured again on `SC-1`: "
            f"{_serials(scale['measured_again'])}; not measured again: "
            f"{_serials(scale['not_measured_again'])}"
        ),
        "`gauge-suspect`, open for the rims not measured again",
    )
    yield (
        "a rim far too light",
        f"`{light['serial']}`: {light['bare_g']} g of {light['claimed_g']} g claimed",
        "`weight-under-claim` (rim)",
    )
    yield (
        "a gauge used after its date",
        (
            f"tension meter `{due['gauge']}`, due {due['due']}, used from "
            f"{due['first_used_after']} ({due['readings']} readings) until "
            f"calibrated on {due['calibrated_again']}"
        ),
        "`gauge-overdue`",
    )
    yield (
        f"a void of {void['size_mm']} mm in the sidewall (limit {void['limit_mm']} mm)",
        f"`{void['serial']}`, let through by a concession for shop use",
        "`finding`, major",
    )
    yield (
        "a typing slip of 100 g, corrected the same afternoon",
        f"`{slip['serial']}`, {slip['stage']}: {slip['typed_g']} g typed, not {slip['right_g']} g",
        "`weight-over-claim` only until the correction is known",
    )


def _quiet(plants: dict[str, Any]) -> str:
    events = plants["events"]
    may = "; ".join(
        f"{s['model']} {s['stage']} `{s['characteristic']}` from `{s['since']}`"
        for s in plants["drift"]["may"]
    )
    return f"""## What else to expect

Nothing else raises a flag other than `drift`: `make.py` checks before it writes. Only while an
impact test runs is it `impact-incomplete`, which its own later drops close. Small findings on about
three rims in ten lie below their limits, every other impact test bears what its protocol requires,
every reading is covered by a limit or a claim, and of each stream without a fault the mean lies at
least four standard deviations from its limits. What was done about a flag later (scrap of struck
rims, the concession, the correction, the calibration) stands in `plants.json` as `followed_by`.

Batch levels are drawn balanced (shuffled normal quantiles in blocks of six), so quiet streams stay
quiet; the faults above may also show as `drift` in streams that share them: {may}.

No faults, but worth following: batches held {_codes(events["batches_held"])}, held and released
{_codes(events["batches_released"])}; parts held {_codes(events["parts_held"])};
{events["scrapped"]} struck rims scrapped; {len(events["shipped"])} parts shipped, of which
{_codes(events["returned"])} came back.
"""
