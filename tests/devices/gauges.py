"""A scale and an indicator on invented lines."""

from decimal import Decimal

from qc.catalog.entries import Gauge, Readout

SCALE = Gauge(code="SC-1", measures="mass", unit="g", resolution=Decimal("0.1"), u=Decimal("0.05"))
INDICATOR = Gauge(
    code="DI-1", measures="length", unit="mm", resolution=Decimal("0.001"), u=Decimal("0.004")
)
SPEAKS = Readout(
    gauge="SC-1", unit="g", baud=9600, stable_mark="=",
    pattern=r"W(?P<stable>[=~])(?P<value>[ +-]*[0-9.,]+) *(?P<unit>[a-z]+)",
)  # fmt: skip
CATALOG = r"""
[[gauge]]
code = "SC-1"
measures = "mass"
unit = "g"
resolution = 0.1
u = 0.05

[[readout]]
gauge = "SC-1"
pattern = 'W(?P<stable>[=~])(?P<value>[ +-]*[0-9.,]+) *(?P<unit>[a-z]+)'
unit = "g"
stable_mark = "="
baud = 9600
"""
