"""Control charts: their constants, limits, rules and run lengths.

`constants`; `individuals` (individuals and moving range, EWMA); `subgroups` (X-bar with R or S);
`attributes` (c, u, p, np); `three_way` (batches); `cusum`; `self_starting`; `run_rules` (Nelson,
Western Electric) with `run_rule_arl`; `design` and `run_length` (average run lengths);
`change_point`; `panel` (what a chart is made of).
"""
