"""Empirical Bayes variances and what a run is held against, against a port of the published method and integrals."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pylimma
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import special, stats

from frametime.statistics.shared_scatter import (
    HEAVY,
    ScatterLaw,
    VariancePrior,
    chance_beyond,
    log_likelihoods,
    scatter_laws,
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


@pytest.mark.parametrize("width", [0.0, 1.1])
@pytest.mark.parametrize("is_heavy", [False, True])
def test_the_law_of_scatter_and_tails_is_found_again(width: float, is_heavy: bool) -> None:
    rng = np.random.default_rng(5)
    scatter = np.exp(0.5 * (width * rng.standard_normal((200, 1)) - 9.0))
    values = scatter * (rng.standard_t(HEAVY, (200, 5)) if is_heavy else rng.standard_normal((200, 5)))
    law = scatter_laws(list(values), ["a", "b"] * 100)[0]
    weights = law.weights.sum(axis=0)
    center = float(np.sum(weights * law.log_variances))
    # The grid has steps of a third, and 100 sets tell their center to 0.1.
    assert center == pytest.approx(-9.0, abs=0.2)
    assert np.sqrt(np.sum(weights * (law.log_variances - center) ** 2)) == pytest.approx(width, abs=0.2)
    assert law.weights[int(is_heavy)].sum() > 0.95
    assert law.n_sets == 99


def test_another_card_tells_how_unlike_cells_are_and_not_how_much_they_scatter() -> None:
    rng = np.random.default_rng(6)
    own, other = 0.01 * rng.standard_normal((5, 3)), 0.5 * rng.standard_normal((60, 3))
    alone, beside = scatter_laws(list(own), [0] * 5)[0], scatter_laws([*own, *other], [0] * 5 + [1] * 60)[0]
    means, spans = [], []
    for law in (alone, beside):
        weights = law.weights.sum(axis=0)
        means.append(np.sum(weights * law.log_variances))
        spans.append(np.sqrt(np.sum(weights * (law.log_variances - means[-1]) ** 2)))
    assert means[1] == pytest.approx(means[0], abs=0.3)
    assert spans[1] < 0.8 * spans[0]


@pytest.mark.parametrize("sd", [0.01, 0.03, 0.1])
@pytest.mark.parametrize("values", [[0.0, 0.012], [0.0, 0.01, -0.02, 0.055, 0.004]])
def test_likelihoods_are_integrals_over_the_mean(values: list[float], sd: float) -> None:
    def integral(pdf: Callable[[NDArray[np.float64]], NDArray[np.float64]]) -> float:
        means = np.linspace(-1.0, 1.0, 200_001)
        return float(np.sum(np.prod([pdf((value - means) / sd) / sd for value in values], axis=0)) * 1e-5)

    expected = np.log([integral(stats.norm.pdf), integral(lambda apart: stats.t.pdf(apart, HEAVY))])
    found = log_likelihoods(np.array(values), np.array([2.0 * math.log(sd)]))[:, 0]
    assert found[1] - found[0] == pytest.approx(expected[1] - expected[0], abs=0.1)
    n = len(values)
    assert found[0] - expected[0] == pytest.approx((n - 1) / 2 * math.log(2 * math.pi) + 0.5 * math.log(n), rel=1e-6)


@pytest.mark.parametrize("distance", [0.01, 0.03, 0.08])
def test_the_chance_of_a_distance_is_the_mean_over_what_scatter_and_tails_may_be(distance: float) -> None:
    rest, sds, prior = np.array([0.0, 0.012]), np.array([0.004, 0.02]), np.array([[0.5, 0.2], [0.1, 0.2]])
    law = ScatterLaw(2.0 * np.log(sds), prior, n_sets=9)
    weights = prior * np.exp(log_likelihoods(rest, law.log_variances))
    tails = 2.0 * np.array([stats.norm.sf(distance / sds / 1.5**0.5), stats.t.sf(distance / sds / 1.5**0.5, HEAVY)])
    expected = float(np.sum(weights * tails) / np.sum(weights))
    assert chance_beyond(distance, rest, law) == pytest.approx(expected, rel=1e-9)
