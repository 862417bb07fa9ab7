"""Intervals within a run: the fast bookkeeping against resamples that are really made."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_regularity import Array, clean_ms, hitches, planted, run_of, slope

from frametime.metrics import lows, pacing, resampling
from frametime.metrics.block_draws import BlockDraws, draw_blocks
from frametime.metrics.block_length import optimal_block_lengths
from frametime.metrics.catalog import catalog_for
from frametime.metrics.options import MeasureOptions
from frametime.metrics.resampled_order import make_window, quantile_resamples
from frametime.metrics.resampling import mean_block_length, within_run_intervals
from frametime.metrics.throughput import quantile


def positions_of(draws: BlockDraws, resample: int) -> np.ndarray:
    """The frames of one resample, one by one."""
    blocks = draws.blocks_of(slice(resample, resample + 1))
    ranges = [np.arange(low, high) for low, high in zip(draws.starts[blocks], draws.ends[blocks], strict=True)]
    return np.concatenate(ranges) % draws.n


def uneven_ms(n: int, seed: int = 1) -> Array:
    times_ms = clean_ms(n, seed)
    times_ms[np.random.default_rng(seed).integers(0, n, n // 100)] += 45.0
    return times_ms


@settings(max_examples=30, deadline=None)
@given(st.integers(1, 300), st.floats(1.0, 50.0), st.integers(0, 1000))
def test_every_resample_holds_as_many_frames_as_the_run(n: int, mean_block: float, seed: int) -> None:
    draws = draw_blocks(n, n_resamples=7, mean_block=mean_block, seed=seed)
    for resample in range(7):
        assert positions_of(draws, resample).size == n
    assert draws.starts.min() >= 0
    assert draws.starts.max() < n
    assert (draws.ends > draws.starts).all()


def test_blocks_are_as_long_as_asked_and_start_anywhere() -> None:
    draws = draw_blocks(10_000, n_resamples=200, mean_block=25.0, seed=1)
    lengths = draws.ends - draws.starts
    assert lengths.mean() == pytest.approx(25.0, rel=0.02)
    # Geometric: the chance of a length beyond 25 is (1 - 1/25)^25.
    assert np.mean(lengths > 25) == pytest.approx(0.96**25, abs=0.01)
    assert np.histogram(draws.starts, 10, (0, 10_000))[0] == pytest.approx(np.full(10, lengths.size / 10), rel=0.05)


def test_sums_are_those_of_the_frames() -> None:
    items = np.random.default_rng(2).standard_normal(500)
    draws = draw_blocks(500, n_resamples=20, mean_block=12.0, seed=3)
    expected = [items[positions_of(draws, resample)].sum() for resample in range(20)]
    assert draws.sums(items) == pytest.approx(expected, abs=1e-9)


def test_each_metric_is_that_of_a_resample_really_made() -> None:
    series = run_of(uneven_ms(2500))
    times_ms, n = series.frame_times_ms, 2500
    draws = draw_blocks(n, n_resamples=60, mean_block=15.0, seed=4)
    found = dict(resampling._resampled(resampling._Run(series, draws), set(catalog_for(MeasureOptions()))))
    steps_ms = np.abs(np.diff(times_ms))
    for resample in range(60):
        positions = positions_of(draws, resample)
        drawn = times_ms[positions]
        ordered = np.sort(drawn)
        total_ms = float(drawn.sum())
        expected = {
            "average_fps": 1000 * n / total_ms,
            "frame_time_variance_ms2": drawn.var(ddof=1),
            "frame_time_cv": drawn.std(ddof=1) / drawn.mean(),
            "hitch_over_50ms_count": np.count_nonzero(drawn > 50.0),
            "stutter_count": np.isin(positions, series.stutters.positions).sum(),
        }
        for key, probability in (("median", 0.5), ("p95", 0.95), ("p99", 0.99), ("p99p9", 0.999)):
            expected[f"{key}_frame_time_ms"] = quantile(ordered, probability)
        for share, name in ((1.0, "1pct"), (0.1, "0p1pct")):
            expected[f"low_{name}_percentile_fps"] = lows.percentile_low_fps(ordered, slowest_pct=share)
            expected[f"low_{name}_mean_fps"] = lows.mean_low_fps(ordered, slowest_pct=share)
            expected[f"low_{name}_time_fps"] = lows.time_low_fps(ordered, slowest_pct=share, duration_ms=total_ms)
        # The step of a frame belongs to it; the first frame has none and counts as the mean.
        expected["pacing_masd_ms"] = np.append(steps_ms, steps_ms.mean())[positions].mean()
        for key, value in expected.items():
            assert found[key][resample] == pytest.approx(value, rel=1e-9), key


@settings(max_examples=25, deadline=None)
@given(st.integers(100, 3000), st.floats(0.01, 0.99), st.floats(1.0, 60.0))
def test_quantiles_of_resamples_without_sorting_them(n: int, probability: float, mean_block: float) -> None:
    values = np.round(np.random.default_rng(n).lognormal(2, 0.3, n), 2)  # with ties
    draws = draw_blocks(n, n_resamples=10, mean_block=mean_block, seed=n)
    order = np.argsort(-values, kind="stable")
    found = quantile_resamples(values, order, probability, draws)
    expected = [np.quantile(values[positions_of(draws, resample)], probability) for resample in range(10)]
    assert found == pytest.approx(expected, rel=1e-12)


def test_a_wide_window_is_thinned_without_harm() -> None:
    """Slow and fast halves: the median lies in either, and the window holds nearly the whole run."""
    n = 60_000
    times_ms = np.where(np.arange(n) < n // 2, 8.0, 16.0) * np.exp(0.02 * np.random.default_rng(1).standard_normal(n))
    draws = draw_blocks(n, n_resamples=200, mean_block=5000.0, seed=2)
    order = np.argsort(-times_ms, kind="stable")
    assert make_window(times_ms, order, 0, n, draws).values.size < n / 3
    found = quantile_resamples(times_ms, order, 0.25, draws)
    expected = [np.quantile(times_ms[positions_of(draws, resample)], 0.25) for resample in range(200)]
    assert np.median(np.abs(found / expected - 1)) < 0.001
    assert np.quantile(np.abs(found / expected - 1), 0.95) < 0.02


def test_intervals_hold_the_value_and_say_what_they_are() -> None:
    options = MeasureOptions(n_resamples=400)
    series = run_of(uneven_ms(6000), options)
    intervals = within_run_intervals(series, catalog_for(options))
    assert len(intervals) >= 15
    for key, interval in intervals.items():
        value = catalog_for(options)[key].compute(series)
        assert interval.low <= value <= interval.high, key
        assert interval.level == 0.95
        assert interval.method.startswith("within run: ")
    assert "stationary bootstrap, 400 resamples, mean block of" in intervals["average_fps"].method


def test_what_cannot_be_resampled_has_no_interval() -> None:
    options = MeasureOptions(n_resamples=100)
    intervals = within_run_intervals(run_of(clean_ms(3000, 1), options), catalog_for(options))
    # The longest frame cannot be exceeded, and stutters that never happened cannot be drawn.
    for key in ("max_frame_time_ms", "stutter_count", "freeze_over_700ms_count", "hitch_period_s"):
        assert key not in intervals
    assert within_run_intervals(run_of(clean_ms(99, 1), options), catalog_for(options)) == {}
    assert within_run_intervals(run_of(np.full(500, 8.0), options), {"average_fps": 1}) == {}


def test_a_tail_of_few_stretches_is_widened_or_left_out() -> None:
    times_ms = clean_ms(4000, 3)
    scattered, together = times_ms.copy(), times_ms.copy()
    scattered[np.linspace(50, 3950, 40).astype(int)] = 30.0
    together[1000:1040] = 30.0
    options = MeasureOptions(n_resamples=200)
    keys = ["p99_frame_time_ms", "low_1pct_mean_fps", "average_fps"]
    wide = within_run_intervals(run_of(scattered, options), keys)
    assert "widened for" in wide["low_1pct_mean_fps"].method
    assert "widened" not in wide["average_fps"].method
    assert set(within_run_intervals(run_of(together, options), keys)) == {"average_fps"}


def test_only_what_is_asked_for() -> None:
    series = run_of(uneven_ms(2000), MeasureOptions(n_resamples=50))
    assert set(within_run_intervals(series, ["average_fps", "p99_frame_time_ms", "unknown"])) == {
        "average_fps",
        "p99_frame_time_ms",
    }


def test_the_same_seed_gives_the_same_intervals_and_another_level_wider_ones() -> None:
    times_ms = uneven_ms(3000)
    keys = ("average_fps", "low_1pct_mean_fps", "median_frame_time_ms")
    first, second = (within_run_intervals(run_of(times_ms, MeasureOptions(n_resamples=300)), keys) for _ in range(2))
    assert first == second
    wide = within_run_intervals(run_of(times_ms, MeasureOptions(n_resamples=300, level=0.99)), keys)
    for key in keys:
        assert wide[key].low < first[key].low < first[key].high < wide[key].high


def test_findings_bring_intervals_of_their_own() -> None:
    drifting = planted(1, slope(8.0))
    interval = within_run_intervals(drifting, ["drift_pct_per_min"])["drift_pct_per_min"]
    assert (interval.low, interval.high) == (
        drifting.drift.slope_low_pct_per_min,
        drifting.drift.slope_high_pct_per_min,
    )
    hitching = planted(2, hitches(30.0, 2.0, 0.02))
    assert within_run_intervals(hitching, ["hitch_period_s"])["hitch_period_s"].low < 2.03


def test_the_block_is_as_long_as_the_slowest_part_asks() -> None:
    independent = run_of(8.0 * np.exp(0.03 * np.random.default_rng(1).standard_normal(20_000)))
    linked = run_of(clean_ms(20_000, 1, coefficient=0.99))
    assert mean_block_length(independent) == pytest.approx(20_000 / resampling.MAX_BLOCKS)
    assert mean_block_length(linked) > 100


@pytest.mark.parametrize("values", [np.full(50, 3.0), np.arange(50.0) % 2])
def test_block_length_of_odd_series(values: Array) -> None:
    stationary, circular = optimal_block_lengths(values)
    assert 1.0 <= stationary <= 22.0
    assert 1.0 <= circular <= 22.0


def test_allan_deviation_of_the_run_is_inside() -> None:
    series = run_of(clean_ms(4000, 2), MeasureOptions(n_resamples=300))
    for averaged in (1, 10, 100):
        key = f"pacing_adev_{averaged}"
        value = pacing.overlapping_allan_deviation(
            series.timestamps_ns, averaged=averaged, tau0=float(series.frame_times_ms.mean()) * 1e6
        )
        interval = within_run_intervals(series, [key])[key]
        assert interval.low < value < interval.high
        assert interval.high / interval.low < 2.0


def test_arguments_out_of_range_are_mistakes() -> None:
    with pytest.raises(ValueError, match="mean_block"):
        draw_blocks(10, n_resamples=1, mean_block=0.5, seed=1)
    with pytest.raises(ValueError, match="shape"):
        draw_blocks(10, n_resamples=1, mean_block=2.0, seed=1).sums(np.ones(9))
    with pytest.raises(ValueError, match="eight"):
        optimal_block_lengths(np.ones(7))
