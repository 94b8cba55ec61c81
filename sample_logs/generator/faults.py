"""The faults that are planted: where each one is and how large. All other modules ask here."""

import datetime as dt

# 1. a resin lot that makes rims heavier; its first batch lies beyond the claim
HEAVY_MODEL, HEAVY_FROM = "45D", 20
HEAVY_BATCH, HEAVY_LOT = "45D-20", "R45-5"
HEAVY_SHIFT_G, HEAVY_FIRST_G = 5.5, 25.0

# 2. a mould that wears: lateral form of its rims creeps up
CREEP_MODEL, CREEP_MOULD = "55D", "M55-B"
CREEP_RISE_MM, CREEP_POWER = 0.285, 1.5

# 3. a batch whose rims break early: hits at which each tested rim was damaged
WEAK_BATCH, WEAK_FIBRE_LOT, WEAK_HITS = "65R-17", "F65-3X", (5, 4, 6, 5, 7)

# 4. a rim damaged by its first hit at the standard energy, and sound ones tested after it
BROKEN_BATCH, TESTS_AFTER_BREAK = "35R-12", 3

# 5. a scale off since some day in July: unchecked for two mornings, then found off
SCALE, SCALE_OFF_G = "SC-2", 2.1
SCALE_SEARCH_FROM = dt.date(2026, 7, 13)
MEASURED_AGAIN_OF_SECOND = 5

# 6. a rim that may lack material
LIGHT_BATCH, LIGHT_NUMBER, LIGHT_BY_G = "55D-14", 9, 34.0

# 7. the tension meter used after its date: the dates stand with the gauges

# 8. a void beyond its limit, let through by concession
VOID_BATCH, VOID_NUMBER, VOID_MM = "45D-08", 5, "6.5"

# 9. a typing slip, corrected the same day: a wheel typed 100 g too heavy
SLIP_BATCH, SLIP_BY_G = "35R-07", 100

QUANTITY = {LIGHT_BATCH: 14, WEAK_BATCH: 14, BROKEN_BATCH: 12, HEAVY_BATCH: 10}


def creep_mm(shot_batch: int, of: int) -> float:
    """How far the worn mould's lateral form has risen at its n-th of so many batches."""
    return float(CREEP_RISE_MM * (shot_batch / (of - 1)) ** CREEP_POWER)
