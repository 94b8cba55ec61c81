"""Statistics over arrays and counts: pure functions, each with its published source.

`conformity` says how sure a verdict is, `summary` adds up a batch exactly, `variance` splits
spread between and within batches, `tolerance` and `claims` bound parts to come, `charts` holds
control limits, and `drift` (with `baseline`) tells whether a level has moved.
"""
