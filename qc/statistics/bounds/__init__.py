"""Bounds from samples: `tolerance` (normal), `distribution_free` and `order_bounds` (order
statistics), `proportions` (Clopper-Pearson, Wilson), `demonstration` (success runs),
`basis_values`."""
