"""The trend test where a series is nearly a straight line."""

from __future__ import annotations

import numpy as np

from frametime.metrics.mann_kendall import STRAIGHT_FRACTION, trend_test


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
