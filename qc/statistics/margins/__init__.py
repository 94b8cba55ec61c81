"""What impact tests of parts show: `outcomes` (what is known of each test, and the exact statement
at a multiple), `curve` (survival over multiples), `bearing` (a fitted curve, and the multiple that
a share survives), `against_rest` (each batch against all the others)."""
