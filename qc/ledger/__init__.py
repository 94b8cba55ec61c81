"""The journal that is never changed, and the rows that follow from it.

`tables` and `types` say what is stored, `engine` opens a database, `migrate` brings its schema up
to date, `accept` takes records in (one transaction: journal, seal, judgement, summaries), `writer`
gathers what waits into one transaction, `corrections`, `subjects` and `gauges` judge what was
touched, `projections` writes what follows, `verify` proves the journal and `rebuild` derives
everything from it anew.
"""
