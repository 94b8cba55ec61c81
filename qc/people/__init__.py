"""Who may do what: accounts, roles, sessions, stations' tokens.

None of it is part of the journal: people come and go, the records say who entered them.
"""
