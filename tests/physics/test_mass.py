"""Bare mass and its uncertainty, against common practice and the GUM."""

from decimal import Decimal
from fractions import Fraction
from functools import reduce

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.physics.mass import FittedPiece, Mass, bare_mass, mean_mass, pair_mass

TAPE = FittedPiece("tape", 1, Decimal(20), 0.3, 0.4)
WEIGHT = FittedPiece("balance-weight", 1, Decimal(15), 0.2, 0.1)

grams = st.decimals(min_value=0, max_value=5000, places=2)
scatter = st.floats(min_value=0, max_value=5)
pieces = st.lists(
    st.builds(
        FittedPiece, st.sampled_from(["tape", "valve"]), st.integers(1, 40), grams, scatter, scatter
    ),
    max_size=4,
)
weighings = st.builds(
    bare_mass, grams, gauge=st.sampled_from("AB"), gauge_u_g=scatter, resolution_g=scatter,
    fitted=pieces,
)  # fmt: skip


def weigh(gross: str, *fitted: FittedPiece, gauge: str = "S1", u: float = 0.5) -> Mass:
    return bare_mass(
        Decimal(gross), gauge=gauge, gauge_u_g=u, resolution_g=0.1, fitted=list(fitted)
    )


def test_a_tape_and_a_balance_weight_are_taken_off_the_gross_mass():
    # common practice, no source
    assert weigh("866", TAPE, WEIGHT).bare_g == 831


def test_a_pair_with_two_tapes_and_two_balance_weights():
    # common practice, no source
    two = [piece._replace(count=2) for piece in (TAPE, WEIGHT)]
    assert weigh("1619", *two).bare_g == 1549


def test_a_bare_weighing_is_as_the_scale_showed_it():
    mass = weigh("412.7")
    assert mass.bare_g == Decimal("412.7")
    assert mass.common_g == {"gauge:S1": 0.5}


def test_the_readout_step_alone_scatters_0_29_of_a_step():
    # GUM F.2.2.1: a step δx brings u = 0.29 δx (from memory)
    mass = bare_mass(Decimal(400), gauge="S1", gauge_u_g=0.0, resolution_g=1.0)
    assert mass.u_g == pytest.approx(0.29, abs=0.005)


def test_sources_combine_as_in_the_end_gauge_example():
    # GUM H.1.4: 25, 5.8 (repeats), 3.9, 6.7 (comparator), 2.9 and 16.6 nm make 32 nm, variance
    # 1002 nm² to the digits printed (from memory)
    mass = Mass(Decimal(0), 5.8**2, {"ls": 25.0, "d1": 3.9, "d2": 6.7, "da": 2.9, "dt": 16.6})
    assert mass.u_g == pytest.approx(32, abs=0.5)
    assert mass.u_g**2 == pytest.approx(1002, abs=4)


def test_pieces_of_one_part_share_its_catalog_error_but_scatter_alone():
    mass = bare_mass(
        Decimal(500), gauge="S1", gauge_u_g=0.0, resolution_g=0.0,
        fitted=[FittedPiece("nipple", 24, Decimal("0.3"), 0.01, 0.02)],
    )  # fmt: skip
    assert mass.bare_g == Decimal("492.8")
    assert mass.common_g["fitted:nipple"] == pytest.approx(-24 * 0.01)
    assert mass.independent_g2 == pytest.approx(24 * 0.02**2)
    assert mass.u_g == pytest.approx(((24 * 0.01) ** 2 + 24 * 0.02**2) ** 0.5)


def test_a_part_named_twice_counts_as_one_source():
    mass = weigh("500", TAPE, TAPE)
    assert mass.bare_g == 460
    assert mass.common_g["fitted:tape"] == pytest.approx(-0.6)


def test_ten_masses_from_one_gauge_add_its_error_ten_times():
    # GUM 5.2.2, example: ten resistors, each u = 0.1 Ω from one standard, in series: 1 Ω;
    # taken as uncorrelated it would be 0.32 Ω (from memory)
    def in_series(standards: str) -> Mass:
        masses = [Mass(Decimal(1000), 0.0, {f"gauge:{name}": 0.1}) for name in standards]
        return reduce(pair_mass, masses)

    assert in_series("AAAAAAAAAA").bare_g == 10_000
    assert in_series("AAAAAAAAAA").u_g == pytest.approx(1.0)
    assert in_series("ABCDEFGHIJ").u_g == pytest.approx(0.32, abs=0.005)


def test_repeats_shrink_the_scatter_and_leave_the_gauge():
    once = weigh("412.0", TAPE)
    four = mean_mass([weigh(gross, TAPE) for gross in ("411.9", "412.0", "412.0", "412.1")])
    assert four.bare_g == 392
    assert four.independent_g2 == pytest.approx(once.independent_g2 / 4)
    assert four.common_g == pytest.approx(once.common_g)


def test_repeats_on_two_gauges_average_each_gauge_apart():
    mass = mean_mass([weigh("400", gauge="A", u=0.4), weigh("401", gauge="B", u=0.6)])
    assert mass.bare_g == Decimal("400.5")
    assert mass.common_g == pytest.approx({"gauge:A": 0.2, "gauge:B": 0.3})


def test_a_mean_that_does_not_end_is_rounded_once():
    third = mean_mass([weigh("0"), weigh("0"), weigh("1")]).bare_g
    assert third == Decimal("0.3333333333333333333333333333")


def test_digits_beyond_the_usual_context_are_kept():
    long = FittedPiece("dust", 3, Decimal("1e-27"), 0.0, 0.0)
    assert weigh("1000", long).bare_g == Decimal("999.999999999999999999999999997")


def test_no_masses_have_no_mean():
    with pytest.raises(ValueError, match="masses: a mean needs at least one mass, got none"):
        mean_mass([])


@given(grams, pieces)
def test_bare_and_fitted_add_up_to_the_gross_mass_exactly(gross, fitted):
    mass = bare_mass(gross, gauge="S1", gauge_u_g=0.1, resolution_g=0.1, fitted=fitted)
    fitted_g = sum(Fraction(piece.mass_g) * piece.count for piece in fitted)
    assert Fraction(mass.bare_g) + fitted_g == Fraction(gross)


@given(weighings, st.integers(1, 9))
def test_a_mean_is_never_less_sure_than_one_weighing(mass, n):
    mean = mean_mass([mass] * n)
    assert mean.bare_g == mass.bare_g
    assert mean.u_g <= mass.u_g * (1 + 1e-12)
    assert mean.common_g == pytest.approx(mass.common_g)


@given(weighings, weighings)
def test_a_pair_is_as_unsure_as_its_sources_added_one_by_one(front, rear):
    pair = pair_mass(front, rear)
    assert pair.bare_g == rear.bare_g + front.bare_g
    sources = {*front.common_g, *rear.common_g}
    terms = [front.common_g.get(name, 0) + rear.common_g.get(name, 0) for name in sources]
    variance = front.independent_g2 + rear.independent_g2 + sum(term**2 for term in terms)
    assert pair.u_g**2 == pytest.approx(variance)
