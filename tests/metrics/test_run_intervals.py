"""Intervals within a run: spread, memory and influence against theory, and what has no interval."""

from __future__ import annotations

import re
from collections.abc import Iterable

import numpy as np
import pytest
import scipy.fft
import scipy.stats
from made_regularity import Array, autocorrelated, clean_ms, hitches, planted, run_of, slope
from scipy.stats import binom

from frametime.metrics.catalog import catalog_for
from frametime.metrics.drift.drift import drift_of
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.intervals.run_intervals import frame_outcomes, within_run_intervals
from frametime.metrics.intervals.tail_intervals import SlowFrames
from frametime.metrics.intervals.within_run import Influence, independent_stretches, interval_of, variation
from frametime.metrics.metric import Missing
from frametime.metrics.options import MeasureOptions
from frametime.statistics.distributions import student_quantile
from frametime.statistics.interval import Interval


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


def waves_of(values: Array, n_waves: int) -> Array:
    """The slowest cosine waves of a series, by scipy's discrete cosine transform of type II."""
    return np.asarray(scipy.fft.dct(values - values.mean(), type=2, norm="ortho")[1 : n_waves + 1])


def test_the_spread_of_a_sum_is_that_of_its_slowest_waves() -> None:
    values = autocorrelated(256, 0.5, np.random.default_rng(1))
    found = variation(values)
    assert found.sd == pytest.approx(16.0 * np.sqrt(np.mean(waves_of(values, found.degrees) ** 2)), rel=1e-9)


def test_intervals_of_independent_normal_items_are_those_of_student() -> None:
    """Waves of independent normal items are independent and normal: the error of a sum over its spread is Student's t
    with as many degrees of freedom as waves, exactly where their number is fixed."""
    generator, ratios = np.random.default_rng(2), []
    for _ in range(2000):
        items = generator.standard_normal(200)
        found = variation(items, at_most=36.0)
        assert found.degrees == 6
        ratios.append(items.sum() / found.sd)
    assert scipy.stats.kstest(ratios, scipy.stats.t(6).cdf).pvalue > 0.01


@pytest.mark.parametrize(("n", "coefficient"), [(20_000, 0.0), (20_000, 0.5), (6000, 0.98), (6000, 0.99)])
def test_independent_stretches_of_first_order_noise(n: int, coefficient: float) -> None:
    """Its integrated autocorrelation time is (1 + c) / (1 - c): A. Sokal, "Monte Carlo methods in statistical
    mechanics", 1997, section 2 (from memory). Where that is short, each of the 256 bins is one."""
    found = np.median(
        [independent_stretches(autocorrelated(n, coefficient, np.random.default_rng(seed))) for seed in range(60)]
    )
    exact = n * (1.0 - coefficient) / (1.0 + coefficient)
    assert found == pytest.approx(min(exact, 250.0), rel=0.15)


def test_few_long_parts_are_few_stretches() -> None:
    """Two states that are left with chances a and b a frame have the correlation (1 - a - b) to the power of the lag:
    with 1 / 500 each the time of first-order noise is 499, so 6 000 frames are 12 stretches."""
    counted = []
    for seed in range(60):
        generator = np.random.default_rng(seed)
        switches = generator.random(6000) < 1 / 500
        counted.append(independent_stretches(np.cumsum(switches) % 2 + 0.3 * generator.standard_normal(6000)))
    assert np.median(counted) == pytest.approx(6000 / 499, rel=0.25)


def doubled(times_ms: Array, first: int, last: int) -> Array:
    """The run with a part of it twice, one after the other."""
    return np.concatenate((times_ms[:last], times_ms[first:last], times_ms[last:]))


@pytest.mark.parametrize("part", [(1000, 1060), (4000, 4020)])
def test_each_frame_moves_a_number_by_its_item(part: tuple[int, int]) -> None:
    """The definition of the influence curve: a part of the run counts a little more, and the number moves."""
    times_ms = uneven_ms(20_000)
    series, first, last = run_of(times_ms), *part
    more = run_of(doubled(times_ms, first, last))
    signs = {
        "average_fps": -1.0,  # its items are those of the time, of which it is the inverse
        "frame_time_variance_ms2": 1.0,
        "frame_time_cv": 1.0,
        "stutter_per_min": 1.0,
        "stutter_time_fraction": 1.0,
        "pacing_rmssd_ms": 1.0,
        "pacing_masd_ms": 1.0,
    }
    values, moved = values_of(series, signs), values_of(more, signs)
    for key, outcome in frame_outcomes(series, values).items():
        assert isinstance(outcome, Influence), key
        change = moved[key] / values[key] - 1.0
        assert signs[key] * outcome.items[first:last].sum() == pytest.approx(change, rel=0.1, abs=1e-4), key


def test_levels_that_change_often_give_a_median_that_may_be_either() -> None:
    generator = np.random.default_rng(1)
    levels = np.repeat(generator.permutation(np.repeat([8.0, 16.0], 30)), 100)
    interval = intervals_of(run_of(levels * np.exp(0.02 * generator.standard_normal(6000))))["median_frame_time_ms"]
    assert interval.low < 8.5
    assert interval.high > 15.5


def test_independent_slow_frames_have_the_ranks_of_a_binomial_count() -> None:
    """The classic interval for a quantile by order statistics: W. J. Conover, Practical Nonparametric Statistics,
    1999, section 3.2 (from memory). Independent frames must come out the same but for the estimate of their spread."""
    n = 100_000
    slow = SlowFrames.of(run_of(8.0 * np.exp(0.1 * np.random.default_rng(3).standard_normal(n))))
    for n_slow in (100.0, 1000.0):
        ranks = slow.ranks(n_slow)
        assert not isinstance(ranks, Missing)
        low, high = binom.ppf([0.025, 0.975], n, n_slow / n)
        assert ranks.last - ranks.first == pytest.approx(high - low, rel=0.2)
        assert ranks.first == pytest.approx(low, rel=0.05)


def test_slow_frames_that_come_together_are_worth_as_many_as_their_stretches() -> None:
    n, length = 60_000, 20
    times_ms = 8.0 * np.exp(0.001 * np.random.default_rng(4).standard_normal(n))
    starts = np.random.default_rng(5).choice(n // length, n // length // 20, replace=False) * length
    slow = (starts[:, np.newaxis] + np.arange(length)).ravel()
    times_ms[slow] *= 1.5 + 0.1 * np.random.default_rng(6).random(slow.size)
    # Whole stretches of 20 frames each, a twentieth of the run in all: the count varies 20 times as much.
    ranks = SlowFrames.of(run_of(times_ms)).ranks(600.0)
    assert not isinstance(ranks, Missing)
    assert ranks.worth == pytest.approx(600 / length, rel=0.35)


@pytest.mark.parametrize("quantile_type", [1, 6, 7])
def test_intervals_hold_the_value_and_say_what_they_are(quantile_type: int) -> None:
    options = MeasureOptions(quantile_type=quantile_type)
    series = run_of(uneven_ms(6000), options)
    intervals = intervals_of(series)
    assert len(intervals) >= 20
    for key, interval in intervals.items():
        assert interval.low <= values_of(series, [key])[key] <= interval.high, key
        assert interval.level == 0.95
        assert interval.method.startswith("within run: ")
    assert "spectral density at zero" in intervals["average_fps"].method
    assert "independent" in intervals["low_1pct_mean_fps"].method


def test_an_interval_is_symmetric_on_the_scale_of_its_number() -> None:
    def interval(value: float, scale: str, low: float) -> Interval:
        """Independent items of a spread that puts the lower end about there."""
        items = np.random.default_rng(1).standard_normal(5000)
        reach = student_quantile(0.975, variation(items).degrees) * variation(items).sd
        wanted = {"size": np.log(value / low), "correlation": value - low}.get(scale, 2.0 - 2.0 * np.sqrt(low / value))
        found = interval_of(value, Influence(items * wanted / reach, scale), 0.95)  # type: ignore[arg-type]
        assert isinstance(found, Interval)
        return found

    size = interval(10.0, "size", 10 / 1.2)
    assert (size.low, size.high) == pytest.approx((10 / 1.2, 12.0))
    count = interval(9.0, "count", 4.0)  # roots 2, 3, 4
    assert (count.low, count.high) == pytest.approx((4.0, 16.0))
    assert interval(0.81, "share", 0.49).high == 1.0
    correlation = interval(-0.9, "correlation", -1.2)
    assert (correlation.low, correlation.high) == pytest.approx((-1.0, -0.6))
    assert isinstance(interval_of(3.0, Influence(np.zeros(90)), 0.9), Missing)


def reason(series: FrameSeries, key: str) -> str:
    found = within_run_intervals(series, values_of(series, [key]))[key]
    assert isinstance(found, Missing), found
    return found.reason


def test_what_has_no_interval_says_why() -> None:
    options = MeasureOptions()
    clean = run_of(clean_ms(3000, 1), options)
    assert "an extreme of the run" in reason(clean, "max_frame_time_ms")
    assert "one instant" in reason(clean, "pacing_jitter_last_ms")
    assert "never happened" in reason(clean, "stutter_count")
    assert "never happened" in reason(clean, "freeze_over_500ms_count")
    assert "all are alike" in reason(clean, "alternating_fraction")
    # By a clock of 1 ms 4.5 ms do not alternate.
    some_ms = np.random.default_rng(1).choice([4.0, 5.0, 6.0], 2000)
    behind_a_timer = run_of(np.concatenate((np.tile([4.0, 5.0], 1000), some_ms)), options)
    assert "all are alike" in reason(behind_a_timer, "alternating_fraction")
    assert "fewer than 100 frames" in reason(run_of(clean_ms(99, 1), options), "average_fps")
    even = run_of(np.full(500, 8.0), options)
    for key in ("average_fps", "low_1pct_mean_fps", "p99_frame_time_ms", "pacing_rmssd_ms", "pacing_adev_1"):
        assert reason(even, key) == "every part of this run gives the same number"
    own = within_run_intervals(clean, {"a_metric_of_ones_own": 1.0})["a_metric_of_ones_own"]
    assert own == Missing(reason="no way to tell how this metric varies is known")


@pytest.mark.parametrize(("n_hitches", "told"), [(1, "happened once"), (2, "happened twice"), (3, None)])
def test_rare_events(n_hitches: int, told: str | None) -> None:
    times_ms = clean_ms(3000, 1)
    times_ms[np.linspace(200, 2800, n_hitches).astype(int)] = 60.0
    series = run_of(times_ms, MeasureOptions())
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
    options = MeasureOptions()
    keys = ["p99_frame_time_ms", "low_1pct_mean_fps", "average_fps"]
    assert set(intervals_of(run_of(scattered, options), keys)) == set(keys)
    assert set(intervals_of(run_of(together, options), keys)) == set()
    assert "independent ones" in reason(run_of(together, options), "low_1pct_mean_fps")
    assert "few places of the run decide it" in reason(run_of(together, options), "average_fps")


def test_a_run_that_remembers_for_long_gives_no_interval_but_says_so() -> None:
    linked = run_of(clean_ms(3000, 4, coefficient=0.998))
    assert re.fullmatch(r"about \d+ independent stretches; 15 are needed", reason(linked, "average_fps"))
    assert reason(run_of(clean_ms(6000, 4, coefficient=0.98)), "p99p9_frame_time_ms").endswith("; 180 are needed")
    swinging = run_of(clean_ms(6000, 4) * (1.0 + 0.4 * np.sin(np.arange(6000) / 900.0)))
    for key in ("average_fps", "median_frame_time_ms", "low_1pct_percentile_fps"):
        assert "independent stretches" in reason(swinging, key)
    # How much a frame differs from the next does not depend on where in its swing the scene is.
    assert "pacing_masd_ms" in intervals_of(run_of(clean_ms(6000, 4) + 3.0 * np.sin(np.arange(6000) / 900.0)))


def test_only_what_is_asked_for() -> None:
    series = run_of(uneven_ms(2000), MeasureOptions())
    keys = ["average_fps", "p99_frame_time_ms", "drift_pct_per_min"]
    assert set(within_run_intervals(series, values_of(series, keys))) <= set(keys)


def test_the_same_run_gives_the_same_intervals_and_another_level_wider_ones() -> None:
    times_ms = uneven_ms(3000)
    keys = ("average_fps", "low_1pct_mean_fps", "median_frame_time_ms")
    first, second = (intervals_of(run_of(times_ms, MeasureOptions()), keys) for _ in range(2))
    assert first == second
    wide = intervals_of(run_of(times_ms, MeasureOptions(level=0.99)), keys)
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


def test_allan_deviations_have_intervals_of_moderate_width() -> None:
    series = run_of(clean_ms(4000, 2), MeasureOptions())
    for averaged in (1, 10, 100):
        key = f"pacing_adev_{averaged}"
        interval = intervals_of(series, [key])[key]
        assert interval.low < values_of(series, [key])[key] < interval.high
        assert interval.high / interval.low < 2.2
