"""The shop as it stands: models, claims, gauges, limits, protocols. Plain facts, no chance.

Every limit is a setting of this invented maker; where its source is not confirmed it says so.
"""

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal

MAKER = "Vale Raso Wheelworks"
SITE = {"code": "vale-raso", "time_zone": "Europe/Lisbon"}
BATCHES_PER_MODEL = 30


@dataclass(frozen=True)
class Model:
    """A rim model; masses in g. `level_g` is where the shop really makes it."""

    code: str
    depth_mm: int
    brake: str
    tyre: str
    spokes: int
    claimed_g: int
    level_g: float
    moulds: int
    scale: str
    radius_mm: int

    def kit_g(self, stage: str) -> int:
        """Hub, spokes and nipples of a wheel."""
        kits = {"rim": {"front-wheel": 232, "rear-wheel": 372},
                "disc": {"front-wheel": 262, "rear-wheel": 395}}  # fmt: skip
        return kits[self.brake][stage]


MODELS = (
    Model("35R", 35, "rim", "clincher", 20, 415, 413.6, 2, "SC-2", 306),
    Model("45D", 45, "disc", "tubeless", 24, 438, 438.6, 3, "SC-1", 302),
    Model("55D", 55, "disc", "tubeless", 24, 474, 473.2, 2, "SC-1", 298),
    Model("65R", 65, "rim", "tubular", 20, 446, 447.1, 3, "SC-2", 296),
)
MODEL = {model.code: model for model in MODELS}
WHEELS = ("front-wheel", "rear-wheel")

MASS_BATCH_SD_G, MASS_PART_SD_G = 1.2, 2.5
RIM_BAND_G, OLD_RIM_BAND_G, WHEEL_BAND_G, PAIR_BAND_G = 17, 20, 25, 45
CLAIMS_FROM, TIGHTER_FROM = dt.date(2026, 4, 1), dt.date(2026, 8, 1)

STATIONS = {
    "rim-bench": "Rim bench: receipt, scales, run-out stand, inspection",
    "wheel-bench": "Wheel bench: building, balance, run-out, inspection",
    "drop-rig": "Drop rig, guarded, in its own room",
    "desk": "Quality desk: decisions, shipments, returns",
}
INSPECTORS = {
    "I1": "Inspector, rims and wheels",
    "I2": "Inspector, rims and wheels",
    "I3": "Inspector, drop rig and quality desk",
}
# code: mass, uncertainty of that mass, piece to piece
FITTED = {
    "tape": ("20", "0.3", "0.4"),
    "weight": ("15", "0.1", "0.1"),
    "valve": ("6.2", "0.1", "0.1"),
    "skewer": ("52", "0.5", "0.4"),
    "end-cap": ("4.1", "0.1", "0.05"),
    "rotor": ("118", "0.5", "0.5"),
}

YEAR_ON = dt.date(2027, 5, 4)
TENSION_METER_DUE, TENSION_METER_BACK = dt.date(2026, 9, 30), dt.date(2026, 10, 14)


@dataclass(frozen=True)
class Gauge:
    """A gauge, and how it is checked: the reference, its nominal, the errors allowed."""

    code: str
    station: str
    measures: str
    unit: str
    resolution: str
    u: str
    reference: str = ""
    nominal: str = "0"
    daily_limit: str = "0"
    calibration_limit: str = "0"
    # the tension meter's date stands with its calibrations only
    due: dt.date | None = YEAR_ON


GAUGES = (
    Gauge("SC-1", "rim-bench", "mass", "g", "0.1", "0.05", "W500-1", "500", "0.5", "0.3"),
    Gauge("SC-2", "rim-bench", "mass", "g", "0.1", "0.05", "W500-2", "500", "0.5", "0.3"),
    Gauge("SC-3", "wheel-bench", "mass", "g", "0.1", "0.1", "W1000-1", "1000", "0.8", "0.5"),
    Gauge("DI-1", "rim-bench", "length", "mm", "0.001", "0.004", "B1-01", "1", "0.01", "0.008"),
    Gauge("DI-2", "wheel-bench", "length", "mm", "0.01", "0.008", "B1-02", "1", "0.02", "0.02"),
    Gauge("TM-1", "wheel-bench", "force", "N", "1", "12", "F1000", "1000", "30", "20", None),
    Gauge("TP-1", "rim-bench", "length", "mm", "0.05", "0.06", "DM-622", "1954.05", "0.2", "0.15"),
    Gauge("LF-1", "rim-bench", "force", "N", "1", "6", "F5000", "5000", "40", "25"),
    Gauge("RG-1", "drop-rig", "drop", "mm", "1", "0.6", "H392", "392", "2", "2"),
    # never calibrated within this half year: the catalog's own date counts
    Gauge("CL-1", "rim-bench", "length", "mm", "0.01", "0.01", due=dt.date(2027, 1, 31)),
)
GAUGE = {gauge.code: gauge for gauge in GAUGES}

# how the rim bench's scale and indicator speak: gauge, pattern of a line, unit, baud
READOUTS = (
    ("SC-1", "(?P<value>[ +-]*[0-9.]+) *(?P<unit>[a-z]+)(?P<stable> still)?", "g", 9600),
    ("DI-1", "RO=(?P<value>[+-]?[0-9.]+)(?P<stable> held)?", "mm", 4800),
)

# code: unit, name
CHARACTERISTICS = {
    "spoke-tension": ("N", "Mean spoke tension of the tighter side"),
    "bead-seat-circumference": ("mm", "Circumference of the bead seat by tape"),
    "tyre-bed-width": ("mm", "Width of the tyre bed of a tubular rim"),
    "short-beam-strength": ("MPa", "Short-beam strength of the batch's witness laminate"),
}
OWN_SETTING = "shop setting of this invented maker: confirm in your shop"
LIMITS: tuple[dict[str, object], ...] = (
    {"characteristic": "spoke-tension", "lower": 900, "upper": 1200, "stage": "front-wheel"},
    {"characteristic": "spoke-tension", "lower": 1000, "upper": 1300, "stage": "rear-wheel"},
    {"characteristic": "bead-seat-circumference",
     "lower": Decimal("1953.4"), "upper": Decimal("1954.8")},
    {"characteristic": "tyre-bed-width", "lower": Decimal("24.7"), "upper": Decimal("25.3"),
     "model": "65R"},
    {"characteristic": "short-beam-strength", "lower": 60},
)  # fmt: skip

_WHEEL_SOURCE = "0.6 mm racing, TBIS 15194:2019 table 22 as read: confirm in your shop"
RUNOUT_LIMITS = (
    ("lateral", "rim", "0.5", OWN_SETTING),
    ("radial", "rim", "0.4", OWN_SETTING),
    *((way, stage, "0.6", _WHEEL_SOURCE) for stage in WHEELS for way in ("lateral", "radial")),
)
BALANCE_LIMIT_GMM = 3000

# zone, defect: size from which it counts, severity
FINDING_LIMITS = {
    ("sidewall", "cosmetic"): ("25", "minor"),
    ("sidewall", "resin-rich"): ("20", "minor"),
    ("sidewall", "void"): ("5", "major"),
    ("spoke-bed", "void"): ("4", "major"),
    ("spoke-bed", "wrinkle"): ("12", "major"),
    ("spoke-hole", "pinhole"): ("1.5", "minor"),
    ("valve-hole", "sharp-edge"): ("1.2", "minor"),
    ("bead-seat", "dry-fibre"): ("8", "major"),
    ("brake-track", "scratch"): ("15", "minor"),
}
ZONES = ("hook", "bead-seat", "brake-track", "sidewall", "spoke-bed", "spoke-hole", "valve-hole")
GRAVE_DEFECTS = ("delamination", "disbond", "crack")


def zones(model: Model) -> list[str]:
    """The zones this model has: no hooks on a tubular, no brake track on a disc rim."""
    without = {"hook", "bead-seat"} if model.tyre == "tubular" else set()
    without |= {"brake-track"} if model.brake == "disc" else set()
    return [zone for zone in ZONES if zone not in without]


REPEAT, STEP = "impact-repeat", "impact-ladder"
STRIKER_KG, STANDARD_J, CHANGE_LIMIT_MM = Decimal("10.4"), 40, Decimal("0.5")
POSITIONS_DEG = (90, 270)
REQUIRED_HITS, STOP_HITS = 10, 12
REQUIRED_RUNG = Decimal("1.5")
RUNGS = tuple(Decimal(n) / 4 for n in range(4, 13))
_COMMON = {
    "stage": "rim", "standard_energy_j": STANDARD_J, "positions_deg": list(POSITIONS_DEG),
    "fails_at": "set", "change_limit_mm": CHANGE_LIMIT_MM,
    "striker": "10.4 kg, flat steel faced with rubber", "tyre": "none", "strike": "between",
    "source": "40 J: two trade pages, not confirmed: confirm in your shop",
}  # fmt: skip
PROTOCOLS: tuple[dict[str, object], ...] = (
    {"code": REPEAT, "method": "repeat", "required_multiple": REQUIRED_HITS, **_COMMON},
    {"code": STEP, "method": "step", "required_multiple": REQUIRED_RUNG, **_COMMON},
)
PLAN = ["weighing", "runout-lateral", "runout-radial", "inspection"]
