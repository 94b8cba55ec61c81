"""Gauge studies: `ranges` and `crossed` (repeatability and reproducibility by ranges and by
analysis of variance), `spread` (their common answer), `levels`, `bias` (bias and linearity)."""
