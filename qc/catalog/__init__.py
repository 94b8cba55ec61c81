"""What a shop says about its models, claims, limits, gauges and batches, and since when.

`entries` holds one frozen type per table of `catalog.toml`, `toml_file` reads such a file,
`catalog` answers what was in force on a day, and `codes` refuses records that name what the
catalog does not.
"""
