"""Statistics over arrays and counts: pure functions, each with its published source.

One folder a topic: `charts`, `capability`, `bounds`, `survival`, `components`, `gauges`,
`sampling`, `drift`; the first lines of each say what is in it. Beside them stands what several
topics share: `arguments`, `limits`, `summary` (exact batch sums), `conformity` (how sure a verdict
is), `claims` (the claim that parts support), `multiple_testing`.
"""
