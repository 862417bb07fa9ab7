"""Quantiles against published values and two other implementations."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from frametime.metrics.level import quantile

# numpy/lib/tests/test_function_base.py, test_linear_interpolation (numpy 2.4.6, stored copy); methods of Hyndman and
# Fan, The American Statistician 50(4), 1996, 361-365.
FIVE_VALUES = np.array([15.0, 20.0, 35.0, 40.0, 50.0])
AT_0P4 = {1: 20.0, 2: 27.5, 3: 20.0, 4: 20.0, 5: 27.5, 6: 26.0, 7: 29.0, 8: 27.0, 9: 27.125}

# NIST/SEMATECH e-Handbook, section 7.2.6.2, Percentiles (stored copy): p(N+1) is type 6, 1 + p(N-1) is type 7.
TWELVE_GAUGES = np.sort(
    [95.1772, 95.1567, 95.1937, 95.1959, 95.1442, 95.0610, 95.1591, 95.1195, 95.1065, 95.0925, 95.1990, 95.1682]
)

NUMPY_METHODS = {
    1: "inverted_cdf",
    2: "averaged_inverted_cdf",
    3: "closest_observation",
    4: "interpolated_inverted_cdf",
    5: "hazen",
    6: "weibull",
    7: "linear",
    8: "median_unbiased",
    9: "normal_unbiased",
}


@pytest.mark.parametrize(("quantile_type", "expected"), AT_0P4.items())
def test_nine_types_on_five_values(quantile_type: int, expected: float) -> None:
    assert quantile(FIVE_VALUES, 0.4, quantile_type=quantile_type) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(("quantile_type", "expected", "tolerance"), [(6, 95.1981, 5e-5), (7, 95.19568, 1e-9)])
def test_ninetieth_percentile_of_twelve_gauges(quantile_type: int, expected: float, tolerance: float) -> None:
    assert quantile(TWELVE_GAUGES, 0.9, quantile_type=quantile_type) == pytest.approx(expected, abs=tolerance)


def test_nearest_even_order_statistic() -> None:
    """Type 3 halfway between two ranks takes the even one: ranks 0 (the first value), 2, 2, 4; as numpy does."""
    values = np.array([1.0, 2.0, 3.0, 4.0])
    found = [quantile(values, p, quantile_type=3) for p in (0.125, 0.375, 0.625, 0.875)]
    assert found == [1.0, 2.0, 2.0, 4.0]
    assert found == np.quantile(values, [0.125, 0.375, 0.625, 0.875], method="closest_observation").tolist()


@given(
    # Few enough values that n times the probability is exact in numpy's floating point too, where it matters.
    values=st.lists(st.integers(0, 50), min_size=1, max_size=64),
    quarters=st.integers(0, 64),
    quantile_type=st.sampled_from(sorted(NUMPY_METHODS)),
)
def test_agrees_with_numpy(values: list[int], quarters: int, quantile_type: int) -> None:
    expected = np.quantile(np.array(values, dtype=float), quarters / 64, method=NUMPY_METHODS[quantile_type])
    found = quantile(np.sort(np.array(values, dtype=float)), quarters / 64, quantile_type=quantile_type)
    assert found == pytest.approx(float(expected), abs=1e-9)


def test_agrees_with_scipy() -> None:
    mstats = pytest.importorskip("scipy.stats").mstats
    values = np.sort(np.random.default_rng(2).lognormal(2.0, 0.3, 997))
    for quantile_type, (alpha, beta) in {4: (0, 1), 5: (0.5, 0.5), 6: (0, 0), 8: (1 / 3, 1 / 3)}.items():
        expected = mstats.mquantiles(values, [0.5, 0.95, 0.99, 0.999], alphap=alpha, betap=beta)
        found = [quantile(values, p, quantile_type=quantile_type) for p in (0.5, 0.95, 0.99, 0.999)]
        assert found == pytest.approx(expected.tolist(), rel=1e-12)


@pytest.mark.parametrize("n", [100, 1000, 5000, 100_000])
def test_a_decimal_probability_meets_its_rank_exactly(n: int) -> None:
    """n * (1 - 0.01) is a whole number here: types 1 to 3 must not step one frame too far, as 0.99 in binary would."""
    values = np.arange(1.0, n + 1.0)
    assert quantile(values, 0.99, quantile_type=1) == 0.99 * n
    assert quantile(values, 0.99, quantile_type=2) == 0.99 * n + 0.5
    assert quantile(values, 0.001, quantile_type=4) == pytest.approx(max(1.0, 0.001 * n), rel=1e-12)
