"""Statistics over arrays and counts: pure functions, each with its published source.

In use by the engines: `conformity` (how sure a verdict is), `summary` (exact batch sums), `claims`
(the claim that parts support), `drift` with `baseline` (whether a level has moved), `charts`.

By topic, for whoever looks one up:

- charts: `chart_constants`, `subgroup_charts`, `attribute_charts`, `three_way_chart`, `run_rules`,
  `cusum`, `self_starting`, designed by `chart_design`, `run_length` and `run_rule_arl`; a change
  in the mean by `change_point`
- capability: `capability`, `process_capability`, `skewed_capability`
- tolerance and proportions: `tolerance`, `order_bounds`, `distribution_free`, `proportions`,
  `demonstration`, `multiple_testing`
- tests that end undamaged: `censoring`, `kaplan_meier`, `turnbull` (with `npmle`), `life_fit`
  (with `likelihood`, `location_scale`), `weibayes`, `two_batches`, `staircase`
- gauges and spread: `variance`, `anova`, `nested`, `mean_squares`, `gauge_ranges`, `gauge_anova`,
  `gauge_levels`, `gauge_bias`, `gauge_spread`
- sampling: `sampling_tables`, `sampling_risks`, `sampling_lots`, `sampling_switching`,
  `sampling_variables`
"""
