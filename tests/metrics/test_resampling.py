"""Intervals within a run: the fast bookkeeping against resamples that are really made."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_regularity import Array, clean_ms, hitches, planted, run_of, slope
from scipy.stats import binom

from frametime.metrics.catalog.catalog import catalog_for
from frametime.metrics.drift.drift import drift_of
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.intervals import resampling
from frametime.metrics.intervals.block_bootstrap import BlockDraws, draw_blocks, optimal_block_lengths
from frametime.metrics.intervals.resampled_frames import sum_outcomes
from frametime.metrics.intervals.resampled_run import Resampled, ResampledRun, make_interval
from frametime.metrics.intervals.resampled_tail import slow_frames
from frametime.metrics.intervals.resampling import mean_block_length, within_run_intervals
from frametime.metrics.metric import Missing
from frametime.metrics.options import MeasureOptions
from frametime.metrics.stutter import stutters_of
from frametime.statistics.differences import Interval


def positions_of(draws: BlockDraws, resample: int) -> np.ndarray:
    """The frames of one resample, one by one."""
    blocks = draws.rows == resample
    ranges = [np.arange(low, high) for low, high in zip(draws.starts[blocks], draws.ends[blocks], strict=True)]
    return np.concatenate(ranges) % draws.n


def values_of(series: FrameSeries, keys: Iterable[str] | None = None) -> dict[str, float]:
    catalog = catalog_for(series.options)
    results = {key: catalog[key].compute(series) for key in (catalog if keys is None else keys)}
    return {key: result for key, result in results.items() if not isinstance(result, Missing)}


def intervals_of(series: FrameSeries, keys: Iterable[str] | None = None) -> dict[str, Interval]:
    found = within_run_intervals(series, values_of(series, keys))
    return {key: interval for key, interval in found.items() if isinstance(interval, Interval)}


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


def test_each_sum_is_that_of_a_resample_really_made() -> None:
    series = run_of(uneven_ms(2500))
    times_ms, n = series.frame_times_ms, 2500
    draws = draw_blocks(n, n_resamples=60, mean_block=15.0, seed=4)
    found = sum_outcomes(ResampledRun(series, draws), set(catalog_for(MeasureOptions())))
    steps_ms = np.abs(np.diff(times_ms))
    for resample in range(60):
        positions = positions_of(draws, resample)
        drawn = times_ms[positions]
        stutters = np.isin(positions, stutters_of(series).positions).sum()
        expected = {
            "average_fps": 1000 * n / drawn.sum(),
            "frame_time_variance_ms2": drawn.var(ddof=1),
            "frame_time_cv": drawn.std(ddof=1) / drawn.mean(),
            "hitch_over_50ms_count": np.count_nonzero(drawn > 50.0),
            "stutter_count": stutters,
            "stutter_per_min": stutters / (drawn.sum() / 60_000.0),
            # The step of a frame belongs to it; the first frame has none and counts as the mean.
            "pacing_masd_ms": np.append(steps_ms, steps_ms.mean())[positions].mean(),
            "pacing_rmssd_ms": np.sqrt(np.append(steps_ms**2, (steps_ms**2).mean())[positions].mean()),
        }
        for key, value in expected.items():
            outcome = found[key]
            assert isinstance(outcome, Resampled), key
            assert outcome.values[resample] == pytest.approx(value, rel=1e-9), key


@settings(max_examples=25, deadline=None, derandomize=True)
@given(st.integers(1500, 4000), st.floats(0.1, 0.9), st.floats(1.0, 20.0))
def test_quantiles_of_resamples_without_sorting_them(n: int, probability: float, mean_block: float) -> None:
    """To first order: as far from the run's own quantile as that of the resample, within the grain of the frames."""
    values = np.round(np.random.default_rng(n).normal(20, 3, n), 2)  # with ties
    run = ResampledRun(run_of(values), draw_blocks(n, n_resamples=40, mean_block=mean_block, seed=n))
    chosen = np.arange(1, n, 2)
    found = run.quantile_at(chosen, values[chosen], probability)
    expected = []
    for resample in range(40):
        positions = positions_of(run.draws, resample)
        expected.append(np.quantile(values[positions[positions % 2 == 1]], probability))
    assert np.median(np.abs(found - expected)) < 0.3 * np.std(expected) + 0.02
    assert np.std(found) == pytest.approx(np.std(expected), rel=0.35, abs=0.05)


def test_two_levels_give_a_median_that_may_be_either() -> None:
    n = 6000
    times_ms = np.where(np.arange(n) < n // 2, 8.0, 16.0) * np.exp(0.02 * np.random.default_rng(1).standard_normal(n))
    interval = intervals_of(run_of(times_ms))["median_frame_time_ms"]
    assert interval.low < 8.5
    assert interval.high > 15.5


def test_independent_slow_frames_have_the_ranks_of_a_binomial_count() -> None:
    """The classic interval for a quantile by order statistics: W. J. Conover, Practical Nonparametric Statistics,
    1999, section 3.2 (from memory). Independent frames must come out the same but for the grain of the resamples."""
    n = 100_000
    series = run_of(8.0 * np.exp(0.1 * np.random.default_rng(3).standard_normal(n)))
    draws = draw_blocks(n, n_resamples=2000, mean_block=200.0, seed=1)
    for n_slow in (100.0, 1000.0):
        ranks = slow_frames(ResampledRun(series, draws)).ranks(n_slow)
        assert not isinstance(ranks, Missing)
        low, high = binom.ppf([0.025, 0.975], n, n_slow / n)
        assert ranks.last - ranks.first == pytest.approx(high - low, rel=0.15)
        assert ranks.first == pytest.approx(low, rel=0.05)


def test_slow_frames_that_come_together_are_worth_as_many_as_their_stretches() -> None:
    n, length = 60_000, 20
    times_ms = 8.0 * np.exp(0.001 * np.random.default_rng(4).standard_normal(n))
    starts = np.random.default_rng(5).choice(n // length, n // length // 10, replace=False) * length
    slow = (starts[:, np.newaxis] + np.arange(length)).ravel()
    times_ms[slow] *= 1.5 + 0.1 * np.random.default_rng(6).random(slow.size)
    draws = draw_blocks(n, n_resamples=2000, mean_block=400.0, seed=1)
    frames = slow_frames(ResampledRun(run_of(times_ms), draws))
    # Whole stretches of 20 frames each, a tenth of the run in all: the count varies 20 times as much.
    assert frames.dispersion(0.1) == pytest.approx(length, rel=0.2)
    ranks = frames.ranks(600.0)
    assert not isinstance(ranks, Missing)
    assert ranks.worth == pytest.approx(600 / length, rel=0.25)


@pytest.mark.parametrize("quantile_type", [1, 6, 7])
def test_intervals_hold_the_value_and_say_what_they_are(quantile_type: int) -> None:
    options = MeasureOptions(n_resamples=400, quantile_type=quantile_type)
    series = run_of(uneven_ms(6000), options)
    intervals = intervals_of(series)
    assert len(intervals) >= 20
    for key, interval in intervals.items():
        assert interval.low <= values_of(series, [key])[key] <= interval.high, key
        assert interval.level == 0.95
        assert interval.method.startswith("within run: ")
    assert "stationary bootstrap, 400 resamples, mean block of" in intervals["average_fps"].method
    assert "independent" in intervals["low_1pct_mean_fps"].method


def test_an_interval_is_symmetric_on_the_scale_of_its_number() -> None:
    def interval(value: float, scale: str, low: float, high: float) -> Interval:
        resamples = np.concatenate([np.full(10, low), np.full(80, value), np.full(10, high)])
        found = make_interval(value, Resampled(resamples, scale), level=0.95, factor=1.0, method="m")  # type: ignore[arg-type]
        assert isinstance(found, Interval)
        return found

    size = interval(10.0, "size", 9.0, 12.0)  # the longer side: a factor of 1.2
    assert (size.low, size.high) == pytest.approx((10 / 1.2, 12.0))
    count = interval(9.0, "count", 4.0, 16.0)  # roots 2, 3, 4
    assert (count.low, count.high) == pytest.approx((4.0, 16.0))
    assert interval(0.81, "share", 0.49, 0.95).high == 1.0
    correlation = interval(-0.9, "correlation", -0.95, -0.6)
    assert (correlation.low, correlation.high) == pytest.approx((-1.0, -0.6))
    assert isinstance(make_interval(3.0, Resampled(np.full(9, 3.0)), level=0.9, factor=1.0, method="m"), Missing)


def reason(series: FrameSeries, key: str) -> str:
    found = within_run_intervals(series, values_of(series, [key]))[key]
    assert isinstance(found, Missing), found
    return found.reason


def test_what_cannot_be_resampled_says_why() -> None:
    options = MeasureOptions(n_resamples=100)
    clean = run_of(clean_ms(3000, 1), options)
    assert "an extreme of the run" in reason(clean, "max_frame_time_ms")
    assert "one instant" in reason(clean, "pacing_jitter_last_ms")
    assert "never happened" in reason(clean, "stutter_count")
    assert "never happened" in reason(clean, "freeze_over_500ms_count")
    assert "all are alike" in reason(clean, "alternating_fraction")
    assert "fewer than 100 frames" in reason(run_of(clean_ms(99, 1), options), "average_fps")
    even = run_of(np.full(500, 8.0), options)
    for key in ("average_fps", "low_1pct_mean_fps", "p99_frame_time_ms", "pacing_rmssd_ms", "pacing_adev_1"):
        assert reason(even, key) == "it is the same however the frames of this run are drawn anew"
    own = within_run_intervals(clean, {"a_metric_of_ones_own": 1.0})["a_metric_of_ones_own"]
    assert own == Missing(reason="no way to resample this metric is known")


@pytest.mark.parametrize(("n_hitches", "told"), [(1, "happened once"), (2, "happened twice"), (3, None)])
def test_rare_events(n_hitches: int, told: str | None) -> None:
    times_ms = clean_ms(3000, 1)
    times_ms[np.linspace(200, 2800, n_hitches).astype(int)] = 60.0
    series = run_of(times_ms, MeasureOptions(n_resamples=200))
    if told is None:
        interval = intervals_of(series)["hitch_over_50ms_count"]
        assert 0.0 <= interval.low < 3.0 < interval.high < 13.0
    else:
        for key in ("hitch_over_50ms_count", "stutter_count", "stutter_per_min", "stutter_time_fraction"):
            assert told in reason(series, key)


def test_a_tail_of_one_stretch_gives_no_interval() -> None:
    times_ms = clean_ms(4000, 3)
    scattered, together = times_ms.copy(), times_ms.copy()
    scattered[np.linspace(50, 3950, 40).astype(int)] *= 3.0
    together[1000:1040] *= 3.0
    options = MeasureOptions(n_resamples=200)
    keys = ["p99_frame_time_ms", "low_1pct_mean_fps", "average_fps"]
    assert set(intervals_of(run_of(scattered, options), keys)) == set(keys)
    assert set(intervals_of(run_of(together, options), keys)) == {"average_fps"}
    assert "independent ones" in reason(run_of(together, options), "low_1pct_mean_fps")


def test_the_slow_part_of_a_swinging_scene_does_not_take_the_lows_away() -> None:
    """The slowest tenth is one part of the scene; what is slowest in it still comes here and there."""
    times_ms = clean_ms(6000, 4) * (1.0 + 0.4 * np.sin(np.arange(6000) / 900.0))
    interval = intervals_of(run_of(times_ms, MeasureOptions(n_resamples=200)))["low_1pct_percentile_fps"]
    assert "independent ones" in interval.method
    assert 1.02 < interval.high / interval.low < 1.3


def test_only_what_is_asked_for() -> None:
    series = run_of(uneven_ms(2000), MeasureOptions(n_resamples=50))
    keys = ["average_fps", "p99_frame_time_ms", "drift_pct_per_min"]
    assert set(within_run_intervals(series, values_of(series, keys))) <= set(keys)


def test_the_same_seed_gives_the_same_intervals_and_another_level_wider_ones() -> None:
    times_ms = uneven_ms(3000)
    keys = ("average_fps", "low_1pct_mean_fps", "median_frame_time_ms")
    first, second = (intervals_of(run_of(times_ms, MeasureOptions(n_resamples=300)), keys) for _ in range(2))
    assert first == second
    wide = intervals_of(run_of(times_ms, MeasureOptions(n_resamples=300, level=0.99)), keys)
    for key in keys:
        assert wide[key].low < first[key].low < first[key].high < wide[key].high


def test_findings_bring_intervals_of_their_own() -> None:
    drifting = planted(1, slope(8.0))
    interval = intervals_of(drifting, ["drift_pct_per_min"])["drift_pct_per_min"]
    assert (interval.low, interval.high) == (
        drift_of(drifting).slope_low_pct_per_min,
        drift_of(drifting).slope_high_pct_per_min,
    )
    hitching = planted(2, hitches(30.0, 2.0, 0.02))
    assert intervals_of(hitching, ["hitch_period_s"])["hitch_period_s"].low < 2.03


def test_the_block_is_as_long_as_the_slowest_part_asks() -> None:
    independent = run_of(8.0 * np.exp(0.03 * np.random.default_rng(1).standard_normal(20_000)))
    linked = run_of(clean_ms(20_000, 1, coefficient=0.99))
    assert mean_block_length(independent) == pytest.approx(20_000 / resampling.MAX_BLOCKS)
    assert mean_block_length(linked) > 250


@pytest.mark.parametrize("values", [np.full(50, 3.0), np.arange(50.0) % 2])
def test_block_length_of_odd_series(values: Array) -> None:
    stationary, circular = optimal_block_lengths(values)
    assert 1.0 <= stationary <= 22.0
    assert 1.0 <= circular <= 22.0


def test_allan_deviations_have_intervals_of_moderate_width() -> None:
    series = run_of(clean_ms(4000, 2), MeasureOptions(n_resamples=300))
    for averaged in (1, 10, 100):
        key = f"pacing_adev_{averaged}"
        interval = intervals_of(series, [key])[key]
        assert interval.low < values_of(series, [key])[key] < interval.high
        assert interval.high / interval.low < 2.2


def test_arguments_out_of_range_are_mistakes() -> None:
    with pytest.raises(ValueError, match="mean_block"):
        draw_blocks(10, n_resamples=1, mean_block=0.5, seed=1)
    with pytest.raises(ValueError, match="shape"):
        draw_blocks(10, n_resamples=1, mean_block=2.0, seed=1).sums(np.ones(9))
    with pytest.raises(ValueError, match="eight"):
        optimal_block_lengths(np.ones(7))
