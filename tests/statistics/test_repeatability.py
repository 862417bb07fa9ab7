"""Empirical Bayes variances and what a run is held against, against a port of the published method and integrals."""

from __future__ import annotations

import math

import numpy as np
import pylimma
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, special, stats

from frametime.statistics.repeatability import (
    TAIL_FREEDOM,
    ScatterLaw,
    VariancePrior,
    chance_beyond,
    scatter_law,
    shared_variances,
    trigamma_inverse,
    variance_prior,
)


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("unlike", [0.3, 0.7])
def test_prior_and_variances_are_those_of_a_port_of_the_published_method(seed: int, unlike: float) -> None:
    """python-limma 0.1.0, a port of the method of Smyth 2004: a mean for each of 40 rows of 4 values."""
    rng = np.random.default_rng(seed)
    values = rng.standard_normal((40, 4)) * np.exp(unlike * rng.standard_normal((40, 1)))
    reference = pylimma.ebayes(pylimma.lm_fit(values, np.ones((4, 1))))
    variances, freedom = values.var(axis=1, ddof=1), np.full(40, 3.0)
    prior = variance_prior(variances, freedom, caution=0.0, share=1.0)
    assert prior.variance == pytest.approx(reference.s2_prior, rel=1e-6)
    # The port lets a prior be worth more than all rows together, and infinitely much where they scatter alike.
    expected = min(reference.df_prior, freedom.sum())
    assert prior.degrees_of_freedom == pytest.approx(expected, rel=1e-6)
    found, total = shared_variances(variances, freedom, prior)
    if expected < freedom.sum():
        assert found == pytest.approx(np.asarray(reference.s2_post), rel=1e-6)
        assert total == pytest.approx(np.asarray(reference.df_total), rel=1e-6)


def test_the_published_estimate_by_its_formula() -> None:
    # G. K. Smyth 2004, section 4: d = 2, s^2 = 1 and 4, d0 = 4, s0^2 = 2 give 10/6, 16/6 and 6 degrees of freedom.
    prior = VariancePrior(variance=np.array(2.0), degrees_of_freedom=np.array(4.0))
    found, freedom = shared_variances(np.array([1.0, 4.0]), np.array([2.0, 2.0]), prior)
    assert found.tolist() == pytest.approx([10.0 / 6.0, 16.0 / 6.0], rel=1e-12)
    assert freedom.tolist() == [6.0, 6.0]


@given(st.floats(1e-3, 1e3))
def test_the_inverse_of_trigamma_is_one(y: float) -> None:
    assert trigamma_inverse(special.polygamma(1, y)) == pytest.approx(y, rel=1e-8)


def test_caution_and_share_make_the_prior_worth_less_and_leave_its_scale() -> None:
    variances, freedom = np.random.default_rng(3).chisquare(2, 15) / 2.0, np.full(15, 2.0)
    bold = variance_prior(variances, freedom, caution=0.0, share=1.0)
    careful = variance_prior(variances, freedom)
    assert careful.degrees_of_freedom < bold.degrees_of_freedom / 2.0
    assert careful.variance == bold.variance


def test_many_matrices_at_once_are_as_each_alone() -> None:
    rng = np.random.default_rng(4)
    variances, freedom = rng.chisquare(2, (5, 9)) / 2.0, np.full(9, 2.0)
    prior = variance_prior(variances, freedom)
    together = shared_variances(variances, freedom, prior)[0]
    for at, row in enumerate(variances):
        assert together[at] == pytest.approx(shared_variances(row, freedom, variance_prior(row, freedom))[0], rel=1e-12)


def test_the_law_of_scatter_is_found_again() -> None:
    rng = np.random.default_rng(5)
    true = 1.4 * rng.standard_normal(4000) - 9.0
    center, width = scatter_law(np.exp(true) * rng.chisquare(4, 4000) / 4.0, np.full(4000, 4.0), caution=0.0)
    assert (center, width) == (pytest.approx(-9.0, abs=0.1), pytest.approx(1.4, abs=0.1))


@pytest.mark.parametrize("distance", [0.01, 0.03, 0.08])
@pytest.mark.parametrize("width", [0.2, 1.0])
def test_the_chance_of_a_distance_is_the_integral_over_what_the_variance_may_be(distance: float, width: float) -> None:
    rest, center = np.array([0.0, 0.012]), 2.0 * math.log(0.006)

    def weight(log_variance: float) -> float:
        sd = math.exp(log_variance / 2.0)
        # The rest of the set tells of the variance by its difference alone.
        return float(stats.norm.pdf(log_variance, center, width) * stats.norm.pdf(rest[1] - rest[0], 0.0, sd * 2**0.5))

    def tail(log_variance: float) -> float:
        scale = math.exp(log_variance / 2.0) * math.sqrt(1.5)
        return weight(log_variance) * 2.0 * float(stats.t.sf(distance / scale, TAIL_FREEDOM))

    span = center - 8.0 * width, center + 8.0 * width
    expected = integrate.quad(tail, *span)[0] / integrate.quad(weight, *span)[0]
    assert chance_beyond(distance, rest, ScatterLaw(center=center, width=width, n_sets=9)) == pytest.approx(
        expected, rel=1e-6
    )
