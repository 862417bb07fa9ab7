"""Drift, change and warm-up, planted one at a time at several strengths."""

from __future__ import annotations

import numpy as np
import pytest
from made_regularity import clean_ms, planted, run_of, slope, step, warm_up
from numpy.typing import NDArray

from frametime.metrics.drift.drift import DriftRule, drift_of
from frametime.metrics.frame_series import FrameSeries

SEEDS = (1, 2, 3)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("percent", [6.0, -8.0, 20.0])
def test_a_step_of_six_percent_is_found_with_its_time(seed: int, percent: float) -> None:
    drift = drift_of(planted(seed, step(percent, 41.0)))
    (change,) = [change for change in drift.changes if change.kind == "level"]
    assert change.time_s == pytest.approx(41.0, abs=2.0)
    assert change.after_ms / change.before_ms == pytest.approx(1 + percent / 100, abs=0.015)
    assert ("longer" if percent > 0 else "shorter") in change.sentence
    assert not drift.is_drift
    assert drift.warm_up is None


def test_a_sharp_step_is_placed_to_the_frame_and_named_in_words() -> None:
    times_ms = np.concatenate((np.full(5125, 8.0), np.full(2200, 8.416)))
    times_ms += 0.02 * np.random.default_rng(1).standard_normal(times_ms.size)
    drift = drift_of(run_of(times_ms))
    assert drift.changes[0].time_s == pytest.approx(times_ms[:5125].sum() / 1000, abs=0.02)
    assert drift.changes[0].sentence == "5.2 % longer frames after 41 s (median 8.00 to 8.42 ms)"
    assert drift.sentence.startswith("5.2 % longer frames after 41 s")


def test_a_rise_that_falls_again_is_two_changes() -> None:
    times_ms = clean_ms(9600, 4)
    ends_s = np.cumsum(times_ms) / 1e3
    raised = np.where((ends_s > 30) & (ends_s < 50), times_ms * 1.1, times_ms)
    drift = drift_of(run_of(raised))
    times = [change.time_s for change in drift.changes if change.kind == "level"]
    assert times == pytest.approx([30.0, 52.0], abs=2.0)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("percent_per_min", [6.0, -6.0, 15.0])
def test_a_slope_of_six_percent_a_minute_is_drift_and_no_step(seed: int, percent_per_min: float) -> None:
    drift = drift_of(planted(seed, slope(percent_per_min)))
    assert drift.is_drift
    assert drift.slope_pct_per_min == pytest.approx(percent_per_min, rel=0.3)
    assert drift.slope_low_pct_per_min < drift.slope_pct_per_min < drift.slope_high_pct_per_min
    assert not [change for change in drift.changes if change.kind == "level"]
    assert "per minute" in drift.sentence


@pytest.mark.parametrize("seed", SEEDS)
def test_a_warm_up_of_twelve_percent_is_told_from_drift(seed: int) -> None:
    drift = drift_of(planted(seed, warm_up(12.0, 4.0)))
    assert drift.warm_up is not None
    assert 3.0 <= drift.warm_up.skip_s <= 14.0
    assert drift.warm_up.difference_pct > 3.0
    assert "warm-up" in drift.sentence
    assert not drift.is_drift


def test_a_slow_start_that_never_settles_is_no_warm_up() -> None:
    assert drift_of(planted(1, slope(-15.0))).warm_up is None
    assert drift_of(planted(1, step(10.0, 30.0))).warm_up is None


@pytest.mark.parametrize("seed", SEEDS)
def test_twice_the_spread_is_a_change_of_spread_only(seed: int) -> None:
    drift = drift_of(planted(seed, lambda times, ends, _: np.where(ends > 30, 8.3 + (times - 8.3) * 2.2, times)))
    kinds = [change.kind for change in drift.changes]
    assert kinds == ["spread"]
    assert drift.changes[0].time_s == pytest.approx(30.0, abs=3.0)
    assert "times as large" in drift.changes[0].sentence


def test_a_run_of_ten_seconds_has_no_drift_and_says_why() -> None:
    drift = drift_of(run_of(clean_ms(1200, 1)))
    assert drift.slope_pct_per_min is None
    assert drift.sentence == "Not enough for drift: 10 blocks of 1 s; 20 or more are needed."


@pytest.mark.parametrize("times_ms", [[8.0], [8.0] * 3, [3000.0] * 30, [8.0] * 5000])
def test_odd_runs_do_not_fail(times_ms: list[float]) -> None:
    drift = drift_of(run_of(np.array(times_ms)))
    assert not drift.is_drift
    assert drift.sentence.endswith(".")


def test_a_long_run_keeps_the_number_of_blocks_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    # From 100 to 110 ms in 105 minutes: 10 % of the first level are 9.5 % of the median level.
    noise = 1 + 0.02 * np.random.default_rng(1).standard_normal(60_000)
    monkeypatch.setattr("frametime.metrics.drift.drift.RULE", DriftRule(max_blocks=50))
    drift = drift_of(run_of(np.linspace(100.0, 110.0, 60_000) * noise))
    assert drift.slope_pct_per_min == pytest.approx(9.5 / 105.0, rel=0.05)
    assert drift.is_drift


@pytest.mark.parametrize("scatter", [0.002, 0.03])
@pytest.mark.parametrize("seconds", [120, 600])
def test_a_card_that_slows_down_as_it_heats_up_drifts_along_a_curve(scatter: float, seconds: int) -> None:
    times_ms = clean_ms(seconds * 120, 6, scatter=scatter)
    ends_s = np.cumsum(times_ms) / 1e3
    drift = drift_of(run_of(times_ms * (1 + 0.08 * (1 - np.exp(-ends_s / (seconds / 2))))))
    assert drift.is_drift
    assert drift.warm_up is None


def test_the_interval_follows_the_level_asked_for() -> None:
    from frametime.metrics.options import MeasureOptions

    times_ms = clean_ms(7200, 5)
    wide = drift_of(run_of(times_ms, MeasureOptions(level=0.99)))
    narrow = drift_of(run_of(times_ms, MeasureOptions(level=0.8)))
    assert wide.slope_low_pct_per_min < narrow.slope_low_pct_per_min
    assert narrow.slope_high_pct_per_min < wide.slope_high_pct_per_min


def test_a_wide_interval_is_not_called_steady() -> None:
    seconds = np.arange(30)
    level_ms = 10.0 * (1.0 + 0.08 * np.sin(2.0 * np.pi * seconds / 3.0))
    swinging = drift_of(run_of(np.repeat(level_ms, 100)))
    assert not swinging.is_drift and not swinging.is_steady
    assert swinging.sentence.startswith("A steady change of −")
    # That the level may change by 10 % read as if this run, which swings by 8 %, were 10 % off somewhere.
    assert swinging.sentence.endswith(" % over this run is not ruled out.")
    flat = drift_of(run_of(10.0 + 0.01 * np.tile([0.0, 1.0, 2.0], 1000)))
    assert flat.is_steady and "no drift found" in flat.sentence.lower()


def test_one_block_is_one_block() -> None:
    assert drift_of(run_of(np.array([8.0]))).sentence.startswith("Not enough for drift: 1 block of 0.008 s; ")


def waiting_for_60_hz(missed: float, seed: int) -> NDArray[np.float64]:
    """2 400 frames of a display of 60 Hz that miss one beat at random; their timestamps jitter by 0.3 ms."""
    rng = np.random.default_rng(seed)
    beats = np.cumsum(1 + (rng.random(2400) < missed))
    return np.diff(beats * 1000.0 / 60.0 + 0.3 * rng.standard_normal(2400), prepend=0.0)


def in_whole_ms(frame_ms: float, seed: int) -> NDArray[np.float64]:
    swing = 0.02 * np.sin(np.arange(6000) / 700.0 + seed)
    ends_ms = np.cumsum(frame_ms * np.exp(swing + 0.03 * np.random.default_rng(seed).standard_normal(6000)))
    return np.diff(np.round(ends_ms), prepend=0.0)


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize("kind", ["beats missed", "whole ms", "alternating", "24 on 60"])
def test_frames_in_two_heaps_change_no_level(kind: str, seed: int) -> None:
    """The median of a second falls into one heap or the other by chance: 134 % longer frames, where none are."""
    noise = np.exp(0.05 * np.random.default_rng(seed).standard_normal(3000))
    times_ms = {
        "beats missed": waiting_for_60_hz(0.48, seed),
        "whole ms": in_whole_ms(4.5, seed),
        "alternating": 33.3 * noise * np.tile([0.75, 1.25], 1500),
        "24 on 60": np.tile([50.0, 100.0 / 3.0], 1500) + 0.05 * np.log(noise),
    }[kind]
    drift = drift_of(run_of(times_ms))
    assert drift.changes == ()
    assert not drift.is_drift


def test_a_change_in_how_many_beats_are_missed_is_told_by_the_mean() -> None:
    drift = drift_of(run_of(np.concatenate((waiting_for_60_hz(0.35, 1), waiting_for_60_hz(0.65, 2)))))
    (change,) = [change for change in drift.changes if change.kind == "level"]
    assert change.time_s == pytest.approx(2400 * 1.35 / 60, abs=3.0)
    assert (change.before_ms, change.after_ms) == pytest.approx((1.35e3 / 60, 1.65e3 / 60), rel=0.03)
    assert "(mean " in change.sentence


def test_a_level_that_medians_show_is_told_by_the_median_as_before() -> None:
    drift = drift_of(planted(1, step(20.0, 41.0)))
    assert "(median " in drift.changes[0].sentence


def test_an_interval_without_zero_does_not_say_that_no_drift_was_found() -> None:
    """Too little for a drift, and within 5 % of the run: what the level may have done is told."""
    drifts = [drift_of(run_of(clean_ms(4800, seed) * np.linspace(1.0, 1.015, 4800))) for seed in range(20)]
    beside = [drift for drift in drifts if drift.is_steady and (drift.slope_low_pct_per_min or 0.0) > 0.0]
    assert beside
    for drift in beside:
        assert "the level changes by +" in drift.sentence.lower()
        assert "no drift found" not in drift.sentence.lower()


def seen_by_whole_ms(times_ms: NDArray[np.float64]) -> FrameSeries:
    return run_of(np.diff(np.floor(np.cumsum(times_ms)), prepend=0.0))


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("level_ms", [6.9, 8.33, 11.3, 16.7])
def test_a_timer_of_whole_milliseconds_hides_no_drift_and_no_step(level_ms: float, seed: int) -> None:
    """Median frames stay 17 ms from 16.7 to 17.2: it was "no drift found (+0.0 to +0.0 % per minute)"."""
    rng, n = np.random.default_rng(seed), round(60_000 / level_ms)
    steady_ms = level_ms * rng.lognormal(0.0, 0.02, n)
    slower = drift_of(seen_by_whole_ms(steady_ms * np.linspace(1.0, 1.04, n)))
    assert slower.is_drift and slower.slope_pct_per_min == pytest.approx(4.0, abs=0.7)
    halves = drift_of(seen_by_whole_ms(steady_ms * np.where(np.arange(n) < n // 2, 1.0, 1.04)))
    (change,) = [change for change in halves.changes if change.kind == "level"]
    assert change.after_ms / change.before_ms == pytest.approx(1.04, abs=0.006)
    steady = drift_of(seen_by_whole_ms(steady_ms))
    assert steady.is_steady and not any(change.kind == "level" for change in steady.changes)


def test_stutters_behind_a_coarse_timer_are_no_drift() -> None:
    """Those of a first half, as of a game that still loads: a plain mean would fall with them."""
    rng = np.random.default_rng(1)
    times_ms = 8.33 * rng.lognormal(0.0, 0.02, 7200)
    times_ms[rng.choice(3600, 60, replace=False)] += 40.0
    drift = drift_of(seen_by_whole_ms(times_ms))
    assert not drift.is_drift and not any(change.kind == "level" for change in drift.changes)


@pytest.mark.parametrize("seed", range(5))
def test_steps_of_a_coarse_timer_are_no_change_of_the_steps_from_frame_to_frame(seed: int) -> None:
    """Where the level comes near a whole millisecond, neighbors are equal: "steps down to 22 % after 4.9 s"."""
    times_ms = 16.7 * np.random.default_rng(seed).lognormal(0.0, 0.01, 3600) * np.linspace(1.0, 1.03, 3600)
    drift = drift_of(seen_by_whole_ms(times_ms))
    assert drift.is_drift and drift.changes == ()
