"""Intervals stay within what is possible, and are left out where they would tell nothing."""

from __future__ import annotations

import numpy as np
import pytest
from made_captures import ordinary_ms
from made_regularity import Array, run_of

from frametime.metrics.intervals.tail_intervals import _slow_words
from frametime.metrics.intervals.within_run import FEW_DECIDE, SAME, Influence, interval_of
from frametime.metrics.measure import measure
from frametime.metrics.metric import MetricValue
from frametime.metrics.options import MeasureOptions, parse_refresh
from frametime.statistics.interval import Interval

WITH_INTERVALS = MeasureOptions(within_run_intervals=True)


def values_of(
    frame_times_ms: Array, key: str, options: MeasureOptions = WITH_INTERVALS, **columns: list[bool | None]
) -> MetricValue:
    capture = run_of(frame_times_ms, options, **columns).capture
    assert capture is not None
    with np.errstate(all="raise"):
        return measure(capture, options).values[key]


@pytest.mark.parametrize("frame_ms", [0.001, 10.0, 1000.0])
@pytest.mark.parametrize("kind", ["percentile", "mean", "time"])
def test_equal_frames_give_no_interval_of_a_low(frame_ms: float, kind: str) -> None:
    low = values_of(np.full(3000, frame_ms), f"low_1pct_{kind}_fps")
    assert (low.interval, low.interval_reason) == (None, SAME.reason)


@pytest.mark.parametrize("n_shown", [3, 5, 30])
def test_no_more_frames_are_dropped_than_there_are(n_shown: int) -> None:
    n = 3000
    shown: list[bool | None] = [None, *[frame % (n // n_shown) == 5 for frame in range(n)]]
    dropped = values_of(ordinary_ms(n), "dropped_count", shown=shown)
    assert dropped.value == n - n_shown
    assert dropped.interval is not None
    assert dropped.interval.low < dropped.value <= dropped.interval.high <= n


def test_the_last_frame_of_a_run_is_not_replaced() -> None:
    options = MeasureOptions(within_run_intervals=True, refresh=parse_refresh("60"))
    skipped = values_of(ordinary_ms(3000, level_ms=0.02), "refresh_skipped_count", options)
    assert skipped.value is not None
    assert skipped.interval is not None
    assert skipped.value <= skipped.interval.high <= 2999


def test_a_count_is_cut_off_at_the_most_there_can_be() -> None:
    items = 0.01 * np.random.default_rng(1).standard_normal(200)
    wide, cut = (interval_of(95.0, Influence(items, "count", most=most), 0.95) for most in (np.inf, 100.0))
    assert isinstance(wide, Interval)
    assert isinstance(cut, Interval)
    assert wide.high > 100.0
    assert (cut.low, cut.high) == (wide.low, 100.0)


def test_one_freeze_that_is_nearly_the_whole_run_says_nothing_of_its_own_scatter() -> None:
    times_ms = np.concatenate((ordinary_ms(400), [54_000.0], ordinary_ms(300, seed=2)))
    low = values_of(times_ms, "low_1pct_mean_fps")
    assert low.interval is None
    assert low.interval_reason is not None
    assert low.interval_reason.startswith("one frame takes nearly all of the time of the slow frames")
    alternation = values_of(times_ms, "alternation")
    assert (alternation.interval, alternation.interval_reason) == (None, FEW_DECIDE.reason)


def test_a_freeze_among_other_slow_frames_keeps_its_interval() -> None:
    times_ms = ordinary_ms(6000)
    times_ms[1000] = 60.0
    assert values_of(times_ms, "low_1pct_mean_fps").interval is not None
    assert values_of(times_ms, "alternation").interval is not None


def test_less_than_one_slow_frame_is_not_called_none() -> None:
    assert _slow_words(0.15) == "0.15 slow frames"
    reason = values_of(ordinary_ms(1500, seed=3), "p99p9_frame_time_ms").interval_reason
    assert reason == "it rests on 1.5 slow frames, worth 0.9 independent ones: too few"
