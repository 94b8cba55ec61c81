"""Acceptance sampling: `tables`, `risks`, `lots` (small lots), `switching`, `variables`."""
