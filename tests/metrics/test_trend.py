"""The trend test where a series is nearly a straight line."""

from __future__ import annotations

from collections import Counter
from itertools import combinations

import numpy as np
import pytest
from scipy import stats

from frametime.metrics.drift.trend import STRAIGHT_FRACTION, kendall_score, trend_test, variance_inflation


def inflation_by_formula(residual: list[float], n_fitted: int) -> float:
    """Equation 16 of Hamed and Rao (1998) term by term; with a lag-1 coefficient corrected as by Kendall (1954)."""
    n = len(residual)
    ranks = stats.rankdata(residual)
    centered = [rank - sum(ranks) / n for rank in ranks]
    total = sum(value * value for value in centered)
    found = [sum(centered[i] * centered[i + lag] for i in range(n - lag)) / total for lag in range(1, n)]

    def factor(correlations: list[float]) -> float:
        terms = [(n - k) * (n - k - 1) * (n - k - 2) * r for k, r in enumerate(correlations, start=1)]
        return 1.0 + 2.0 / (n * (n - 1) * (n - 2)) * sum(terms)

    bound = stats.norm.ppf(0.975) / n**0.5
    measured = factor([r if abs(r) > bound else 0.0 for r in found])
    bias = n_fitted * (1.0 + 4.0 * found[0]) / n
    is_first_order = found[0] > stats.norm.ppf(0.95) / n**0.5 - n_fitted / n
    first = min(found[0] + bias, 0.99) if is_first_order else 0.0
    return max(1.0, measured, factor([first**lag for lag in range(1, n)]))


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("n_fitted", [2, 3])
def test_the_inflation_is_that_of_the_formula(seed: int, n_fitted: int) -> None:
    rng = np.random.default_rng(seed)
    values = rng.standard_normal(40)
    coefficient = (0.0, 0.2, 0.35, 0.6)[seed % 4]
    for i in range(1, 40):
        values[i] += coefficient * values[i - 1]
    # scipy's quantiles have more digits than the program's: 1.96 to nine, 1.645 to three.
    assert variance_inflation(values, n_fitted) == pytest.approx(inflation_by_formula(values.tolist(), n_fitted))


def test_what_a_straight_line_leaves_over_says_nothing_of_its_trend() -> None:
    line = np.round(10.0 + 0.02 * np.arange(60), 3)
    assert trend_test(line).inflation == 1.0
    assert trend_test(line).p_value < 1e-12


def test_a_wandering_series_is_never_so_straight() -> None:
    rng = np.random.default_rng(8)
    times = np.linspace(-1.0, 1.0, 60)
    shares = []
    for _ in range(2000):
        walk = np.cumsum(rng.standard_normal(60))
        fitted = np.polyval(np.polyfit(times, walk, 2), times)
        shares.append(float(np.std(walk - fitted)) / abs(float(fitted[-1] - fitted[0])))
    assert np.mean(np.array(shares) < STRAIGHT_FRACTION) <= 0.001


@pytest.mark.parametrize("n", [1, 2, 3, 6, 16, 17])
def test_the_score_counts_every_pair_and_the_variance_every_tie(n: int) -> None:
    values = np.random.default_rng(n).integers(0, 5, n).astype(np.float64)
    score = sum((later > value) - (later < value) for value, later in combinations(values.tolist(), 2))
    tied = sum(count * (count - 1) * (2 * count + 5) for count in Counter(values.tolist()).values())
    assert kendall_score(values) == (score, pytest.approx((n * (n - 1) * (2 * n + 5) - tied) / 18))
