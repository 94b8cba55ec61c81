"""What a station may say: one frozen type for each kind of record, and how text becomes one.

`rules` reads single values, `kinds` holds the types, `parsing` turns the fields of a line into a
record or refuses it, `canonical` gives a record its one byte form, digest and identity, and
`station_schema` describes every kind as JSON Schema.
"""
