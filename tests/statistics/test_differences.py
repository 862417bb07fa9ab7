"""Welch's interval and least squares against published examples and reference libraries."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from frametime.statistics.differences import Difference, linear_contrast, log_mean, mean_difference, welch_ratio


@pytest.mark.parametrize(
    ("candidate", "baseline", "low", "high", "tolerance"),
    [
        # R data set sleep (Student 1908), output of t.test
        (
            [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0],
            [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4],
            -3.3654832,
            0.2054832,
            5e-8,
        ),
        # R, tests/Examples/stats-Ex.Rout.save, t.test examples 1 and 2
        (list(range(1, 11)), list(range(7, 21)), -11.052802, -4.947198, 5e-7),
        (list(range(1, 11)), [*range(7, 21), 200], -47.2429, 6.376233, 1e-4),
    ],
)
def test_welch_intervals_as_published(
    candidate: list[float], baseline: list[float], low: float, high: float, tolerance: float
) -> None:
    assert mean_difference(log_mean(candidate), log_mean(baseline)).bounds(0.95) == pytest.approx(
        (low, high), abs=tolerance
    )


def test_the_ratio_is_that_of_geometric_means_and_turns_over() -> None:
    rng = np.random.default_rng(3)
    one, two = rng.lognormal(4.6, 0.01, 4).tolist(), rng.lognormal(4.55, 0.02, 6).tolist()
    ratio, back = welch_ratio(one, two), welch_ratio(two, one)
    assert ratio.value == pytest.approx(stats.gmean(one) / stats.gmean(two), rel=1e-12)
    assert ratio.interval is not None
    assert back.interval is not None
    assert ratio.interval.low == pytest.approx(1.0 / back.interval.high, rel=1e-12)
    reference = stats.ttest_ind(np.log(one), np.log(two), equal_var=False).confidence_interval(0.95)
    assert math.log(ratio.interval.low) == pytest.approx(reference.low, rel=1e-9)


def test_one_run_on_a_side_gives_no_interval() -> None:
    ratio = welch_ratio([101.0], [100.0, 99.0])
    assert ratio.interval is None
    assert not ratio.is_credibly_above
    assert not ratio.is_credibly_below


def test_runs_that_agree_to_the_last_digit_give_no_interval() -> None:
    ratio = welch_ratio([102.0, 102.0], [100.0, 100.0])
    assert ratio.value == pytest.approx(1.02)
    assert ratio.interval is None


@pytest.mark.parametrize(("candidate", "baseline"), [([], [1.0]), ([1.0, 0.0], [1.0]), ([float("nan")], [1.0])])
def test_wrong_values_are_refused(candidate: list[float], baseline: list[float]) -> None:
    with pytest.raises(ValueError, match="must"):
        welch_ratio(candidate, baseline)


def test_a_contrast_of_a_plane_agrees_with_a_reference_library() -> None:
    import statsmodels.api

    rng = np.random.default_rng(9)
    rows = np.array([[core, memory] for core in (0, 25, 50, 75) for memory in (0, 100, 200)], dtype=float)
    values = 4.6 + rows @ [2e-4, 1e-5] + rng.normal(0.0, 1e-3, len(rows))
    found = linear_contrast(rows.tolist(), values.tolist(), [-25.0, -100.0])
    assert found is not None
    estimate, bounds = found
    reference = statsmodels.api.OLS(values, statsmodels.api.add_constant(rows)).fit().t_test([[0.0, -25.0, -100.0]])
    assert estimate == pytest.approx(float(reference.effect[0]), rel=1e-8)
    assert bounds == pytest.approx(tuple(reference.conf_int()[0]), rel=1e-8)


def test_places_that_do_not_tell_the_clocks_apart_give_no_prediction() -> None:
    assert linear_contrast([[0, 0], [25, 50], [50, 100], [75, 150]], [1.0, 2.0, 3.0, 4.0], [-25.0, -100.0]) is None
    assert linear_contrast([[0], [25]], [1.0, 2.0], [-25.0]) is None


@pytest.mark.parametrize("level", [0.8, 0.9, 0.95, 0.99])
def test_a_wider_claim_is_at_no_level_the_narrower_interval(level: float) -> None:
    """Two draws that happen to agree know little, though at some levels less than the noise of the runs alone."""
    these = Difference(value=0.05, standard_error=0.01, degrees_of_freedom=30)
    for error in (0.0005, 0.002, 0.004, 0.02):
        alone = Difference(value=0.05, standard_error=error, degrees_of_freedom=1)
        low, high = replace(alone, at_least=these).bounds(level)
        ends = (*alone.bounds(level), *these.bounds(level))
        assert (low, high) == pytest.approx((min(ends), max(ends)), rel=1e-12)
