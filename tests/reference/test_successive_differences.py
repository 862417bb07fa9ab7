"""Successive differences: the von Neumann ratio, and what the RFCs on delay variation define."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pytest

from frametime.metrics.pacing import lag1_autocorrelation, masd_ms, rmssd_ms, variance_ms2

NINE_POINTS = np.array([892.0, 809.0, 823.0, 798.0, 671.0, 644.0, 883.0, 903.0, 677.0])


def test_nine_points() -> None:
    """RMSSD is sqrt(2) times the published Allan deviation 91.22945 (NIST SP 1065, table 31, stored copy)."""
    assert rmssd_ms(NINE_POINTS) == pytest.approx(sqrt(2.0) * 91.22945, abs=6e-6)
    assert rmssd_ms(NINE_POINTS) == pytest.approx(129.017922, abs=5e-6)


def test_von_neumann_ratio() -> None:
    """J. von Neumann, Ann. Math. Statist. 12, 1941, 367-395: mean square successive difference over the variance.

    Own arithmetic with the published standard deviation 100.9770 (NIST SP 1065, as above): 1.632506.
    """
    assert sqrt(variance_ms2(NINE_POINTS)) == pytest.approx(100.9770, abs=5e-5)
    assert rmssd_ms(NINE_POINTS) ** 2 / variance_ms2(NINE_POINTS) == pytest.approx(1.632506, abs=5e-6)


def test_ranks_of_bartels() -> None:
    """R. Bartels, JASA 77, 1982, 40-46, p. 43: the ratio of the ranks is 0.97626 (stored copy of a vignette).

    Bartels divides sums: the mean square successive difference times (n - 1) over the variance times (n - 1).
    """
    ranks = np.array([4, 7, 16, 14, 12, 3, 9, 13, 15, 10, 6, 5, 8, 2, 1, 11, 18, 17], dtype=float)
    ratio = rmssd_ms(ranks) ** 2 / variance_ms2(ranks)
    assert ratio == pytest.approx(0.97626, abs=5e-6)


def test_packet_delay_variation() -> None:
    """RFC 5481, section 3.2 (delays from memory): differences -10, 10, 5, -5 of the delays 20, 10, 20, 25, 20."""
    delays_ms = np.array([20.0, 10.0, 20.0, 25.0, 20.0])
    assert masd_ms(delays_ms) == (10 + 10 + 5 + 5) / 4
    assert rmssd_ms(delays_ms) == sqrt((100 + 100 + 25 + 25) / 4)


def test_ratio_and_autocorrelation() -> None:
    """The sum of squared steps is twice the sum of squares times (1 - r1), less the squares of the two ends."""
    values = np.random.default_rng(1).lognormal(2.0, 0.2, 500)
    mean, n = float(values.mean()), values.size
    squares = variance_ms2(values) * (n - 1)
    ends = (values[0] - mean) ** 2 + (values[-1] - mean) ** 2
    expected = 2.0 * squares * (1.0 - lag1_autocorrelation(values)) - ends
    assert rmssd_ms(values) ** 2 * (n - 1) == pytest.approx(expected, rel=1e-12)


def test_agrees_with_numpy_on_a_run_of_many_blocks() -> None:
    values = np.random.default_rng(2).lognormal(2.0, 0.2, 100_003)
    steps = np.diff(values)
    assert rmssd_ms(values) == pytest.approx(float(np.sqrt(np.mean(steps**2))), rel=1e-12)
    assert masd_ms(values) == pytest.approx(float(np.mean(np.abs(steps))), rel=1e-12)
    assert variance_ms2(values) == pytest.approx(float(np.var(values, ddof=1)), rel=1e-12)
    centered = values - values.mean()
    expected = float(np.sum(centered[1:] * centered[:-1]) / np.sum(centered**2))
    assert lag1_autocorrelation(values) == pytest.approx(expected, rel=1e-10)
