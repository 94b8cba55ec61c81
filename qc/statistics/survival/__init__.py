"""Tests that end before damage: `censoring` (the data), `kaplan_meier`, `turnbull` (with `npmle`),
`life_fit` (Weibull and lognormal, with `likelihood`, `location_scale`, `conditional`),
`weibayes`, `two_batches`, `staircase`."""
