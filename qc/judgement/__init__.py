"""From readings and the catalog to quantities, flags and standing. Pure: no clock, no database.

`part` replays what was recorded of a part (or of a batch) in order of time, in `steps`; `mass`,
`runout`, `measurement` and `impact` (with `struck` for all tests of a part) each judge one aspect
of it; `flags` keeps what is open and what closed
it; `gauges` tells which readings a bad check puts in doubt; `standing` says whether a part may
leave, and what is missing.
"""
