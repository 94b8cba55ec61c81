"""A row of the table of measurements, as DEVELOPERS.md shows it."""

HEAD = "| what | here | limit in the same run | times | at most |\n| --- | --- | --- | --- | --- |"


def row(what: str, here: float, limit: float, at_most: float, unit: str = "s") -> str:
    """One measurement beside its limit; what is over it says so in bold."""
    times = f"{here / limit:.2f}"
    if here > at_most * limit:
        times = f"**{times}**"
    return f"| {what} | {here:.3g} {unit} | {limit:.3g} {unit} | {times} | {at_most:g} |"
