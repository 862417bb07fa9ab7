"""Alternation, hitches, and the rhythm of a run."""

from __future__ import annotations

import numpy as np
import pytest
from capture_samples import capture_of, measured
from hypothesis import given
from hypothesis import strategies as st
from made_regularity import alternation as alternating
from made_regularity import clean_ms, planted, run_of, sine
from made_regularity import hitches as planted_hitches
from numpy.typing import NDArray

from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.quality import timer_step_of
from frametime.metrics.rhythm.hitches import hitches_of
from frametime.metrics.rhythm.rhythm import alternating_runs, alternation, inside_runs, rhythm_of


def test_the_part_that_alternates_is_measured() -> None:
    steady, alternate = np.full(300, 10.0), np.tile([9.0, 11.0], 50)
    fraction, size_ms = alternation(np.concatenate((steady, alternate, steady)))
    # The steady neighbors take part in the first and last turn.
    assert fraction == pytest.approx(100 / 700, abs=3 / 700)
    assert size_ms == 2.0


@pytest.mark.parametrize("n", [23, 24])
def test_a_short_run_of_alternating_frames_is_chance(n: int) -> None:
    short = np.tile([9.0, 11.0], 20)[:n]
    # Frames like the first and the last of them on both sides: no turn there.
    times_ms = np.concatenate((np.full(40, short[0]), short, np.full(40, short[-1])))
    assert (alternation(times_ms)[0] > 0.0) == (n >= 24)


@given(st.lists(st.floats(1.0, 100.0), max_size=60))
def test_the_share_is_a_share(times_ms: list[float]) -> None:
    fraction, size_ms = alternation(np.array(times_ms))
    assert 0.0 <= fraction <= 1.0
    assert (size_ms is None) == (fraction == 0.0)


def test_both_ends_of_a_run_are_inside() -> None:
    inside = inside_runs(np.array([1, 3, 6]), np.array([3, 4, 6]), 8)
    assert np.flatnonzero(inside).tolist() == [1, 2, 3, 4, 6]


def test_frames_that_alternate_for_long_are_one_run() -> None:
    times_ms = np.full(150_000, 10.0)
    times_ms[65_000:140_000:2] = 12.0
    first, last = alternating_runs(times_ms)
    assert (first.tolist(), last.tolist()) == ([64_999], [139_999])


def test_every_third_frame_long_is_not_alternation() -> None:
    assert alternation(np.tile([8.0, 8.0, 12.0], 100)) == (0.0, None)


def test_neighboring_stutters_are_one_hitch_that_begins_with_the_first() -> None:
    times_ms = np.full(1000, 8.0)
    times_ms[[300, 302, 700]] = [40.0, 30.0, 50.0]
    found = hitches_of(run_of(times_ms))
    assert found.starts_s == pytest.approx([2.4, 5.6 + 0.054], abs=1e-9)
    assert found.excess_ms == pytest.approx([32.0, 42.0])


def test_even_frames_have_no_hitches() -> None:
    assert hitches_of(run_of(np.full(1000, 8.0))).positions.size == 0
    assert rhythm_of(run_of(np.full(1000, 8.0))).hitches == ()


@pytest.mark.parametrize("percent", [15.0, 25.0, 50.0])
def test_planted_alternation_is_found_from_15_percent(percent: float) -> None:
    rhythm = rhythm_of(planted(1, alternating(percent)))
    assert rhythm.alternating_fraction > 0.25
    assert rhythm.alternation_ms == pytest.approx(8.3 * percent / 100, rel=0.3)


@pytest.mark.parametrize("jitter_s", [0.0, 0.05, 0.2])
@pytest.mark.parametrize("size_ms", [15.0, 60.0])
def test_planted_hitches_are_found_with_their_period(size_ms: float, jitter_s: float) -> None:
    rhythm = rhythm_of(planted(2, planted_hitches(size_ms, 3.0, jitter_s)))
    assert rhythm.hitch_period is not None
    assert rhythm.hitch_period_reason is None
    # Each hitch makes the run longer by its own size.
    period_s = 3.0 + size_ms / 1000.0
    assert rhythm.hitch_period.period_low_s < period_s < rhythm.hitch_period.period_high_s
    assert rhythm.hitch_period.n_following >= 15


@pytest.mark.parametrize(("frequency_hz", "amplitude_ms"), [(5.0, 0.12), (17.3, 0.05), (48.0, 0.05)])
def test_a_planted_line_is_found_from_half_a_percent(frequency_hz: float, amplitude_ms: float) -> None:
    # The planted noise is stronger at low frequencies, so a line must be too.
    rhythm = rhythm_of(planted(3, sine(amplitude_ms, frequency_hz)))
    assert rhythm.lines
    assert rhythm.lines[0].frequency_hz == pytest.approx(frequency_hz, abs=0.02)
    assert rhythm.lines[0].amplitude_ms == pytest.approx(amplitude_ms, rel=0.4)
    assert rhythm.lines[0].false_alarm_probability < 0.01


def test_short_even_and_single_runs_have_no_rhythm() -> None:
    for times_ms in (np.array([8.0]), np.array([8.0, 8.0]), np.full(5000, 8.0), clean_ms(300, 1)):
        rhythm = rhythm_of(run_of(times_ms))
        assert rhythm.lines == ()
        assert rhythm.hitch_period is None
        assert rhythm.alternating_fraction == 0.0


def test_a_run_that_is_not_looked_at_is_not_called_even() -> None:
    slow = measured(capture_of(np.where(np.arange(300) % 3 == 0, 1500.0, 1510.0)))
    [item] = [item for item in slow.findings.profile if item.item == "rhythm"]
    assert (item.word, item.threshold) == ("not looked at", "half of the frames take longer than a second")
    [even] = [item for item in measured(capture_of(np.full(300, 10.0))).findings.profile if item.item == "rhythm"]
    assert even.word == "even"
    # What can be told from neighbors alone is still told.
    turns = measured(capture_of(np.where(np.arange(300) % 2 == 0, 1200.0, 1600.0)))
    [item] = [item for item in turns.findings.profile if item.item == "rhythm"]
    assert item.word == "alternating"


def seen_by_whole_ms(times_ms: NDArray[np.float64]) -> FrameSeries:
    """The run as a timer of whole milliseconds writes it."""
    return run_of(np.diff(np.floor(np.cumsum(times_ms)), prepend=0.0))


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize("level_ms", [3.4, 4.5, 5.5])
def test_a_coarse_timer_makes_no_rhythm(level_ms: float, seed: int) -> None:
    """Frames of 4.5 ms are written as 4, 5, 4, 5 and those of 3.4 ms as 3, 3, 4: neither alternates nor hitches."""
    series = seen_by_whole_ms(level_ms * np.random.default_rng(seed).lognormal(0.0, 0.01, 8000))
    rhythm = rhythm_of(series)
    assert timer_step_of(series) == 1.0
    assert (rhythm.alternating_fraction, rhythm.hitch_period, rhythm.hitches) == (0.0, None, ())


@pytest.mark.parametrize("seed", range(3))
def test_what_is_larger_than_the_step_of_a_coarse_timer_is_found(seed: int) -> None:
    times_ms = 9.5 * np.random.default_rng(seed).lognormal(0.0, 0.01, 8000)
    in_turn = times_ms + np.tile([0.0, 4.0], 4000)
    assert rhythm_of(seen_by_whole_ms(in_turn)).alternating_fraction > 0.9
    times_ms[::400] += 20.0
    period = rhythm_of(seen_by_whole_ms(times_ms)).hitch_period
    assert period is not None
    assert period.period_s == pytest.approx(400 * 0.00955, rel=0.01)
