"""Spread and where it comes from: `variance`, `anova`, `nested` (batch, part, repeat) and
`mean_squares` (limits for combinations)."""
