"""What a legal scale may be off by: maximum permissible errors of OIML R 76-1, Table 6."""

from decimal import Decimal
from typing import Literal

from qc.physics.exact import EXACT

AccuracyClass = Literal["I", "II", "III", "IIII"]

# up to and including so many verification intervals e the error may be 0.5 e, 1 e, 1.5 e;
# class I has no upper end
_STEPS: dict[str, tuple[int | None, ...]] = {
    "I": (50_000, 200_000, None),
    "II": (5_000, 20_000, 100_000),
    "III": (500, 2_000, 10_000),
    "IIII": (50, 200, 1_000),
}
_ERRORS_IN_E = (Decimal("0.5"), Decimal(1), Decimal("1.5"))


def permissible_error_g(
    load_g: Decimal, interval_g: Decimal, accuracy_class: AccuracyClass, in_service: bool = False
) -> Decimal:
    """Largest error allowed, either way, in grams, of a scale that shows `load_g`.

    `interval_g` is the verification scale interval e. OIML R 76-1, Table 6, at initial
    verification; in service twice that (R 76-1, 3.5.2; the factor is from memory). ValueError for
    a load below zero or beyond the most intervals that the class may have.
    """
    if not interval_g > 0:
        raise ValueError(f"interval_g: must be above 0, got {interval_g}")
    if accuracy_class not in _STEPS:
        raise ValueError(f"accuracy_class: must be I, II, III or IIII, got {accuracy_class!r}")
    if not load_g >= 0:
        raise ValueError(f"load_g: must be 0 or more, got {load_g}")
    for most, error in zip(_STEPS[accuracy_class], _ERRORS_IN_E, strict=True):
        if most is None or load_g <= EXACT.multiply(interval_g, most):
            return EXACT.multiply(EXACT.multiply(error, interval_g), 2 if in_service else 1)
    raise ValueError(
        f"load_g: class {accuracy_class} ends at {_STEPS[accuracy_class][-1]} intervals of "
        f"{interval_g} g, got {load_g}"
    )
