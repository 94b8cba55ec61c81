"""Acceptance sampling: `tables` and `switching` (by attributes), `variables` and
`variables_tables` (by measured values), `risks`, `lots` (small lots), `drawing` (which parts)."""
