"""Decimal arithmetic that does not round.

Records carry numbers of up to 28 digits, the most that Python's usual context holds, so a
difference or a product of two of them can need more. Sums and products of readings are compared
with limits as written and must not be rounded on the way.
"""

from decimal import Context

EXACT = Context(prec=200)
# a quotient seldom ends; it is rounded once, at the end, whatever context the caller has set
QUOTIENT = Context(prec=28)
