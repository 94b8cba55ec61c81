"""What people and programs ask of the ledger: one function a question, answered in plain rows.

`flags`, `claims`, `margins`, `drift` and `trace` give the rows of the commands of the same name;
`today` gives the counts that open the dashboard. Rows are dictionaries that go to JSON as they are
and into a DataFrame in one call, so that no command has to load pandas.
"""
