"""What may be claimed of the mass of parts to come, the batch being the unit.

`limits`: the supported claim and chances of parts to come; `spread`: bias and where the spread
lies; `level`: the batches at today's level; `pair`: what a front and a rear wheel will weigh.
"""
