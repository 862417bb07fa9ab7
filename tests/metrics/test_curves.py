"""Curves: small, true to the run, and no extreme lost."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_captures import ordinary_ms, series_of, stamps_of

from frametime.metrics.curves import (
    distribution_curve,
    local_median_curve,
    percentile_curve,
    rate_curve,
    run_curves,
    trace_curves,
)
from frametime.metrics.level import quantile
from frametime.metrics.options import MeasureOptions

runs = st.lists(st.sampled_from([1.0, 4.0, 10.0, 16.7, 90.0, 2500.0]), min_size=1, max_size=60).map(stamps_of)


@given(timestamps_ns=runs)
@settings(deadline=None)
def test_every_curve_of_any_run(timestamps_ns: np.ndarray) -> None:
    series = series_of(timestamps_ns)
    for name, curve in run_curves(series).items():
        assert len(curve.x) == len(curve.y) <= 3000, name
        assert list(curve.x) == sorted(curve.x), name
        assert np.isfinite(curve.x).all(), name
        assert np.isfinite(curve.y).all(), name
    low, high = trace_curves(series)
    assert max(high.y) == series.sorted_ms[-1]
    assert min(low.y) == series.sorted_ms[0]


@pytest.mark.parametrize("quantile_type", range(4, 10))
@pytest.mark.parametrize("n_frames", [7, 150, 20_000])
def test_the_percentile_curve_passes_through_the_quantiles(n_frames: int, quantile_type: int) -> None:
    series = series_of(stamps_of(ordinary_ms(n_frames)), MeasureOptions(quantile_type=quantile_type))
    curve = percentile_curve(series)
    found = [quantile(series.sorted_ms, share / 100.0, quantile_type=quantile_type) for share in curve.x]
    assert found == pytest.approx(curve.y, rel=1e-9)
    assert curve.y[-1] == series.sorted_ms[-1]


def test_the_percentile_curve_is_dense_in_the_tail() -> None:
    curve = percentile_curve(series_of(stamps_of(ordinary_ms(100_000))))
    assert 200 <= len(curve.x) <= 300
    assert sum(share > 99.0 for share in curve.x) > 60
    assert sum(share > 99.99 for share in curve.x) >= 10


def test_the_distribution_holds_every_frame() -> None:
    series = series_of(stamps_of(np.concatenate([ordinary_ms(5000), [400.0]])))
    curve = distribution_curve(series)
    assert sum(curve.y) == pytest.approx(100.0, rel=1e-12)
    assert curve.x[-1] < 20.0
    width_ms = curve.x[1] - curve.x[0]
    inside = np.abs(series.frame_times_ms - curve.x[40]) < 0.5 * width_ms
    assert curve.y[40] == pytest.approx(100.0 * inside.mean(), rel=1e-12)


def test_the_distribution_of_a_constant_run() -> None:
    curve = distribution_curve(series_of(stamps_of([8.0] * 50)))
    assert sum(curve.y) == 100.0
    assert max(curve.y) == 100.0


def test_the_rate_of_each_second_by_hand() -> None:
    """100 frames of 10 ms, one of 1.5 s, 50 of 10 ms: 100 frames, two thirds of one, then the third and the fifty."""
    curve = rate_curve(series_of(stamps_of([10.0] * 100 + [1500.0] + [10.0] * 50)))
    assert curve.x == (0.5, 1.5, 2.5)
    assert curve.y == pytest.approx((100.0, 2.0 / 3.0, 1.0 / 3.0 + 50.0), rel=1e-9)


@given(timestamps_ns=runs)
def test_the_rates_add_up_to_the_frames(timestamps_ns: np.ndarray) -> None:
    series = series_of(timestamps_ns)
    curve = rate_curve(series)
    left_over_s = series.duration_s - max(1, int(series.duration_s))
    if left_over_s <= 0.0:
        step_s = min(1.0, series.duration_s)
        assert sum(curve.y) * step_s == pytest.approx(series.n_frames, rel=1e-9)
    assert sum(curve.y) * min(1.0, series.duration_s) <= series.n_frames * (1 + 1e-9)


def test_a_run_of_hours_has_longer_steps() -> None:
    curve = rate_curve(series_of(stamps_of(np.full(5000, 1000.0))))
    assert len(curve.x) <= 2000
    assert "each 3 s" in curve.y_label
    assert curve.y == pytest.approx([1.0] * len(curve.y), rel=1e-9)


def test_the_trace_keeps_a_single_long_frame_among_many() -> None:
    times_ms = np.full(50_000, 5.0)
    times_ms[31_234], times_ms[40_000] = 61.0, 0.5
    low, high = trace_curves(series_of(stamps_of(times_ms)))
    assert len(high.x) <= 2000
    assert (max(high.y), min(low.y)) == (61.0, 0.5)
    assert high.x[int(np.argmax(high.y))] == pytest.approx(31_234 * 0.005, abs=0.2)
    assert low.x == high.x


def test_the_trace_of_a_short_run_is_its_frames() -> None:
    low, high = trace_curves(series_of(stamps_of([10.0] * 50)))
    assert low.y == high.y == (10.0,) * 50
    assert low.x[0] == 0.005


def test_the_local_median_curve() -> None:
    series = series_of(stamps_of(np.concatenate([np.full(500, 8.0), np.full(500, 20.0)])))
    curve = local_median_curve(series, 100)
    assert len(curve.x) == 100
    assert (curve.y[0], curve.y[-1]) == (8.0, 20.0)
    with pytest.raises(ValueError, match="n_points"):
        local_median_curve(series, 0)
