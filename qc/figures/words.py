"""Names of stages and characteristics as a person reads them, and numbers with their unit."""

import math

STAGES = {
    "rim": "rim",
    "front-wheel": "front wheel",
    "rear-wheel": "rear wheel",
    "pair": "pair of wheels",
    "": "batch",
}
CHARACTERISTICS = {
    "bare-mass": "bare mass",
    "tir-lateral": "lateral run-out (TIR)",
    "tir-radial": "radial run-out (TIR)",
    "form-lateral": "lateral run-out (form)",
    "form-radial": "radial run-out (form)",
    "findings-per-part": "findings per part",
    "survived-multiple": "survived multiple",
}


def stage_name(stage: str | None, many: bool = False) -> str:
    """`front-wheel` as "front wheel" or "front wheels"."""
    name = STAGES.get(stage or "", stage or "")
    if not many:
        return name
    return "pairs of wheels" if stage == "pair" else "batches" if not stage else f"{name}s"


def characteristic_name(code: str) -> str:
    """`tir-lateral` as "lateral run-out (TIR)"; a code of the shop's own with spaces."""
    return CHARACTERISTICS.get(code, code.replace("-", " "))


def amount(value: float | None, unit: str = "", digits: int = 4) -> str:
    """A number to `digits` significant figures with its unit: no more than three decimals, no
    digit before the point lost."""
    if value is None:
        return "–"
    places = digits - 1 - math.floor(math.log10(abs(value))) if value else 0
    text = f"{value:.{min(max(places, 0), 3)}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return f"{'0' if text == '-0' else text} {unit}".strip()


def signed(value: float, unit: str = "", digits: int = 3) -> str:
    """The same with a plus or a minus in front."""
    return ("+" if value > 0 else "−" if value < 0 else "±") + amount(abs(value), unit, digits)


def parts(count: int) -> str:
    """1 part, 2 parts."""
    return f"{count:,} part{'' if count == 1 else 's'}"
