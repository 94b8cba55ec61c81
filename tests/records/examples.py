"""The smallest record of each kind, as a station may write it."""

from typing import Any

OF = "123e4567-e89b-42d3-a456-426614174000"
OTHER = "00000000-0000-4000-8000-000000000001"

COMMON = {"taken_at": "2026-03-31T14:05:00", "station": "bench", "inspector": "jo"}
# the smallest record of each kind
SMALLEST: dict[str, dict[str, Any]] = {
    "receipt": {"serial": "R-1", "model": "D50", "batch": "B1"},
    "weighing": {"serial": "R-1", "stage": "rim", "gauge": "S1", "gross_g": "412.5"},
    "runout": {
        "serial": "R-1",
        "stage": "rim",
        "gauge": "C1",
        "direction": "lateral",
        "tir_mm": "0.3",
    },
    "measurement": {"serial": "R-1", "characteristic": "width", "gauge": "C2", "value": "-1"},
    "inspection": {
        "serial": "R-1",
        "stage": "rim",
        "method": "x-ray",
        "zones": "hook",
        "result": "clean",
    },
    "finding": {
        "serial": "R-1",
        "zone": "hook",
        "defect": "void",
        "angle_deg": "10",
        "size_mm": "0",
    },
    "balance": {
        "serial": "R-1",
        "stage": "front-wheel",
        "state": "as-found",
        "heavy_deg": "10",
        "residual_g": "3",
        "radius_mm": "300",
    },
    "drop": {
        "serial": "R-1",
        "test": "T1",
        "protocol": "P1",
        "gauge": "D1",
        "drop_no": "1",
        "position_deg": "0",
        "striker_kg": "4",
        "height_mm": "1000",
        "damage": "none",
    },
    "build": {"serial": "R-1", "stage": "front-wheel", "hub": "24 holes", "builder": "Ola"},
    "gauge-check": {
        "gauge": "S1",
        "check": "daily",
        "found": "as-found",
        "reference": "500 g",
        "nominal": "500",
        "reading": "500.1",
        "limit": "0.3",
    },
    "correction": {"of": OF, "reason": "typed twice", "void": "true"},
    "disposition": {"serial": "R-1", "decision": "hold", "reason": "odd sound"},
    "shipment": {"serial": "R-1", "order": "10", "to": "K-7"},
    "customer-return": {"serial": "R-1", "reason": "rattles"},
}
