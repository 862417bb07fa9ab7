"""How frames fall on the refreshes of a display."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_regularity import run_of

from frametime.metrics.catalog import catalog_for
from frametime.metrics.display.display import fixed_refresh_of, variable_refresh_of
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import FixedRefreshFit, Missing
from frametime.metrics.options import MeasureOptions, parse_refresh


def on(series: FrameSeries, text: str, *, tearing: bool = False) -> FrameSeries:
    options = MeasureOptions(refresh=parse_refresh(text, tearing=tearing))
    return FrameSeries(series.timestamps_ns, options=options, capture=series.capture)


def fixed(series: FrameSeries, text: str, *, tearing: bool = False) -> FixedRefreshFit:
    fit = fixed_refresh_of(on(series, text, tearing=tearing))
    assert not isinstance(fit, Missing)
    return fit


def film(n: int) -> FrameSeries:
    return run_of(np.full(n, 1000.0 / 24))


def displayed(times_ns: list[int | None], frame_ms: float) -> FrameSeries:
    return run_of(np.full(len(times_ns), frame_ms), displayed_ns=[None, *times_ns])


def test_film_on_60_hz_gives_the_2_3_cadence() -> None:
    """SMPTE practice: 2-3-2-3, mean hold 41.67 ms, standard deviation 8.33 ms."""
    fit = fixed(film(241), "60")
    assert fit.cadence == {"2": 120, "3": 120}
    assert fit.judder_rms_ms == pytest.approx(8.3333333333, abs=1e-4)
    # Every step differs from the one before: 239 changes in 240 steps of 10 s.
    assert fit.uneven_per_min == pytest.approx(239 / (241 / 24 / 60), rel=1e-6)
    assert fit.repeat_count == 120 * 1 + 120 * 2
    assert fit.skipped_frame_count == 0
    assert not fit.from_display_times


def film_as_shown(n: int) -> list[int]:
    """24 frames a second on 60 Hz, by the times at which they are shown: frame k on refresh ceil(2.5 k)."""
    return [round(math.ceil(2.5 * k) * 1e9 / 60) for k in range(n)]


@pytest.mark.parametrize("n", [242, 6001])
def test_film_logged_as_it_is_shown_has_the_judder_of_an_uneven_step(n: int) -> None:
    """SMPTE practice: 3-2-3-2, standard deviation of the hold 8.3333 ms; the frame's own step is the shown one here."""
    times_ns = film_as_shown(n)
    by_ends = FrameSeries(np.array(times_ns), options=MeasureOptions())
    by_display = run_of(np.diff(times_ns) / 1e6, displayed_ns=times_ns)
    for fit in (fixed(by_ends, "60"), fixed(by_display, "60")):
        assert fit.are_shown_times
        assert fit.judder_rms_ms == pytest.approx(8.3333333333, rel=1e-4)
        assert fit.uneven_per_min is not None
        assert fit.uneven_per_min > 1200.0


def test_even_steps_at_another_rate_for_seconds_are_even() -> None:
    refreshes = np.cumsum(np.concatenate(([0], np.full(600, 1), np.full(300, 2), np.full(600, 1))))
    fit = fixed(FrameSeries(np.round(refreshes * 1e9 / 60).astype(np.int64), options=MeasureOptions()), "60")
    assert fit.are_shown_times
    assert fit.judder_rms_ms < 1.0


@pytest.mark.parametrize(("n", "uneven_per_min"), [(2, None), (3, 0.0)])
def test_one_step_is_neither_even_nor_uneven(n: int, uneven_per_min: float | None) -> None:
    series = run_of(np.full(n, 50.0), MeasureOptions(refresh=parse_refresh("60")))
    assert fixed(series, "60").uneven_per_min == uneven_per_min
    value = catalog_for(series.options)["refresh_uneven_per_min"].compute(series)
    reason = "only two frames were seen: one step has none before it to differ from"
    assert value == (Missing(reason=reason) if uneven_per_min is None else uneven_per_min)


def test_film_on_120_hz_is_even() -> None:
    fit = fixed(film(241), "120")
    assert fit.cadence == {"5": 240}
    assert fit.judder_rms_ms == pytest.approx(0.0, abs=1e-4)
    assert fit.uneven_per_min == 0.0


def test_frames_at_the_rate_of_the_display_are_shown_once_each() -> None:
    fit = fixed(run_of(np.full(600, 1000.0 / 144)), "144")
    assert fit.cadence == {"1": 599}
    assert (fit.repeat_count, fit.skipped_frame_count) == (0, 0)


def test_twice_the_rate_loses_every_other_frame_without_tearing_and_none_with_it() -> None:
    series = run_of(np.full(600, 1000.0 / 120))
    without = fixed(series, "60")
    assert without.skipped_frame_count == pytest.approx(300, abs=1)
    assert set(without.cadence) == {"1"}
    with_tearing = fixed(series, "60", tearing=True)
    assert with_tearing.skipped_frame_count == 0
    assert set(with_tearing.cadence) == {"0", "1"}


def test_one_missed_refresh_is_one_repeat_and_two_uneven_steps() -> None:
    period_ns = 1e9 / 60
    numbers = np.arange(120) + (np.arange(120) >= 50)
    series = displayed([round(5e6 + k * period_ns) for k in numbers.tolist()], 1000 / 60)
    fit = fixed(series, "60")
    assert fit.from_display_times
    assert fit.cadence == {"1": 118, "2": 1}
    assert fit.repeat_count == 1
    assert fit.uneven_per_min == pytest.approx(2 / (120 / 60 / 60))


@pytest.mark.parametrize("actual_hz", [59.95, 60.0, 60000 / 1001, 60.03])
def test_a_display_that_runs_a_little_off_its_nominal_rate_does_not_slip(actual_hz: float) -> None:
    generator = np.random.default_rng(2)
    times_ns = np.arange(6000) / actual_hz * 1e9 + generator.normal(0, 3e5, 6000)
    fit = fixed(displayed(np.round(times_ns).astype(int).tolist(), 1000 / actual_hz), "60")
    assert fit.cadence == {"1": 5999}
    assert fit.measured_hz == pytest.approx(actual_hz, rel=2e-6)


def test_a_long_run_on_a_display_off_its_nominal_rate() -> None:
    """Over two hours the phase turns round 540 times; it must not be lost between the places looked at."""
    n = 7200 * 60
    times_ns = np.round(np.arange(n) / 59.925 * 1e9 + np.random.default_rng(1).normal(0, 3e5, n))
    fit = fixed(displayed(times_ns.astype(int).tolist(), 1000 / 59.925), "60")
    assert fit.cadence == {"1": n - 1}
    assert fit.measured_hz == pytest.approx(59.925, rel=1e-7)


def test_free_running_frames_follow_no_refresh() -> None:
    series = run_of(np.random.default_rng(3).uniform(7.0, 9.0, 3000))
    assert fixed(series, "60").measured_hz is None


def test_frames_without_a_display_time_are_left_out() -> None:
    times: list[int | None] = [round(k * 1e9 / 60) for k in range(100)]
    times[40] = None
    fit = fixed(displayed(times, 1000 / 60), "60")
    assert fit.cadence == {"1": 97, "2": 1}


def test_a_run_of_one_frame_has_no_fit() -> None:
    assert fixed_refresh_of(on(run_of(np.array([10.0])), "60")) == Missing(reason="fewer than two frames were shown")


def test_a_window_is_not_a_fixed_refresh() -> None:
    assert fixed_refresh_of(on(film(10), "48-144")) == Missing(reason="no refresh of this kind was given")
    assert variable_refresh_of(on(film(10), "60")) == Missing(reason="no refresh of this kind was given")


@settings(max_examples=40, deadline=None)
@given(st.integers(2, 400), st.floats(3.0, 60.0), st.booleans())
def test_refreshes_are_shared_out_among_the_frames(n: int, frame_ms: float, tearing: bool) -> None:
    series = run_of(frame_ms * np.random.default_rng(n).lognormal(0, 0.1, n))
    fit = fixed_refresh_of(on(series, "60", tearing=tearing))
    if isinstance(fit, Missing):
        assert series.duration_s - series.frame_times_ms[0] / 1000.0 <= 1 / 60
        return
    steps = {int(step): count for step, count in fit.cadence.items()}
    assert sum(step * count for step, count in steps.items()) == fit.n_refreshes
    assert sum(steps.values()) + fit.skipped_frame_count == n - 1
    if not tearing:
        assert fit.repeat_count == fit.n_refreshes - sum(steps.values())
        assert min(steps, default=1) >= 1


def test_frames_on_the_edge_of_the_window_are_inside() -> None:
    # In whole ns 1/144 s is rounded down and 1/36 s up, beyond the edge.
    series = run_of(np.tile([1000 / 144, 1000 / 36], 50))
    fit = variable_refresh_of(on(series, "36-144"))
    assert not isinstance(fit, Missing)
    assert fit.inside_frames_fraction == 1.0
    assert fit.inside_time_fraction == 1.0


def test_shares_of_frames_and_of_time_differ() -> None:
    series = run_of(np.array([5.0] * 60 + [10.0] * 30 + [40.0] * 10))
    fit = variable_refresh_of(on(series, "48-144"))
    assert not isinstance(fit, Missing)
    assert (fit.above_frames_fraction, fit.inside_frames_fraction, fit.below_frames_fraction) == (0.6, 0.3, 0.1)
    assert fit.below_time_fraction == pytest.approx(0.4)
    assert fit.above_time_fraction == pytest.approx(0.3)


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 200), st.floats(2.0, 80.0))
def test_the_three_shares_add_up(n: int, frame_ms: float) -> None:
    series = run_of(frame_ms * np.random.default_rng(n).lognormal(0, 0.3, n))
    fit = variable_refresh_of(on(series, "48-165"))
    assert not isinstance(fit, Missing)
    frames = fit.inside_frames_fraction + fit.below_frames_fraction + fit.above_frames_fraction
    time = fit.inside_time_fraction + fit.below_time_fraction + fit.above_time_fraction
    assert math.isclose(frames, 1.0, abs_tol=1e-12)
    assert math.isclose(time, 1.0, abs_tol=1e-12)
