"""Capability: `capability` (Cp, Cpk, Pp, Ppk and their limits), `process` (from subgroups),
`skewed` (percentiles, for what is bounded at zero)."""
