"""How frames fall on the refreshes of the display: fixed rate, with or without tearing, or a variable window."""

from __future__ import annotations

import math
from types import MappingProxyType
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.block_medians import median
from frametime.metrics.frame_series import FrameSeries, logged_times_ns, once_a_series, shown_frames
from frametime.metrics.metric import FixedRefreshFit, Missing, VariableRefreshFit
from frametime.metrics.options import Refresh
from frametime.units import NS_PER_MS, NS_PER_S

LOCKED_CONCENTRATION = 0.5
"""Mean resultant length of the phases above which the times are taken to follow the refresh. Common practice, no
source: it is 0.04 for 1 000 times without any relation to it, and 0.5 for times that scatter by 0.19 of a refresh."""


WIDEST_RATE_DIFFERENCE = 0.004
"""Relative difference from the nominal rate up to which the measured rate is looked for: four times that of 60 and
60000/1001 Hz."""

SHOWN_TIMES_FRACTION = 0.1
"""The log's times are the shown times when its steps differ from the shown ones by less than this share of a refresh
(rms). Common practice, no source."""


_FEW: Final = Missing(reason="fewer than two frames were shown")
_OTHER_KIND: Final = Missing(reason="no refresh of this kind was given")
_FALLING: Final = Missing(
    reason="the display times fall back: the frames do not stand in the order in which they were shown"
)


def appearances(series: FrameSeries) -> tuple[NDArray[np.int64], NDArray[np.bool_], bool]:
    """When each shown frame appeared.

    Returns
    -------
    shown_ns : ndarray of int64, shape (n_shown,)
        Time of display where it is logged, else the end of the frame; ns since the start of the first frame.
    kept : ndarray of bool, shape (n_frames,)
        Which frames these are: dropped frames and frames without a logged display time are left out.
    from_display_times : bool
    """
    start_ns = series.timestamps_ns[0]
    shown = shown_frames(series)
    kept = np.ones(series.n_frames, dtype=np.bool_) if shown is None else shown
    displayed = logged_times_ns(series, "displayed_ns")
    if displayed is None and shown is None:
        return series.timestamps_ns[1:] - start_ns, kept, False
    if displayed is None or np.count_nonzero(displayed[1][1:] & kept) < 2:
        return series.timestamps_ns[1:][kept] - start_ns, kept, False
    times_ns, valid = displayed
    kept = kept & valid[1:]
    return times_ns[1:][kept] - start_ns, kept, True


def display_time_falls(series: FrameSeries) -> int:
    """How many frames have a display time before that of the frame before them."""
    shown_ns, _, from_display_times = appearances(series)
    return falls(shown_ns) if from_display_times else 0


def falls(times_ns: NDArray[np.int64]) -> int:
    """How often times fall from one to the next.

    Examples
    --------
    >>> falls(np.array([1, 2, 2, 1, 3]))
    1
    """
    return int(np.count_nonzero(times_ns[1:] < times_ns[:-1]))


def first_refreshes(
    times_ns: NDArray[np.int64], refresh: Refresh, *, from_display_times: bool
) -> tuple[NDArray[np.int64], float | None]:
    """Number of the refresh on which each frame first appears, and the rate.

    The refreshes are an even grid whose phase the log does not say. Where the times follow the grid (the display
    times always should, frame ends do when the game waits for the display), phase and rate are fitted: a display
    of nominally 60 Hz that runs at 59.95 Hz would slip through a whole refresh every 20 s. Else the nominal rate is
    kept and the grid is laid so that most frames end far from its edges.

    A frame that ends between two refreshes appears on the next one; with tearing, or where display times are
    logged, on the refresh in which it falls.

    Parameters
    ----------
    times_ns : ndarray of int64, shape (n_shown,)
        Never falling.
    refresh : Refresh
        Fixed.
    from_display_times : bool

    Returns
    -------
    numbers : ndarray of int64, shape (n_shown,)
        Never falls. With equal values the earlier frame was replaced before it could be shown whole.
    measured_hz : float or None
        Rate of the grid that the times follow, ``None`` where they follow none.
    """
    turns = times_ns / float(NS_PER_S / refresh.low_hz)
    phase, slope, is_locked = _phase_and_slope(turns)
    # In place: each array of a long run costs more time than what is done with it.
    if from_display_times or is_locked:
        # The times lie on the grid but for their scatter: to the nearest refresh.
        turns *= 1.0 - slope
        turns -= phase
        np.round(turns, out=turns)
    else:
        # With tearing a frame is seen in the refresh that is being sent out when it ends, else in the next one.
        turns -= _emptiest_phase(_stretches(turns))
        (np.floor if refresh.tearing else np.ceil)(turns, out=turns)
    return turns.astype(np.int64), float(refresh.low_hz) * (1.0 - slope) if is_locked else None


def _stretches(turns: NDArray[np.float64]) -> NDArray[np.float64]:
    """Up to 200 stretches of the run, 256 frames of each, as rows: a million phases say no more.

    One row in a run of fewer than 48 frames.
    """
    n_stretches = int(min(200, turns.size // 16))
    if n_stretches < 3:
        return turns[np.newaxis]
    starts = np.linspace(0, turns.size, n_stretches, endpoint=False).astype(np.int64)
    length = min(int(np.diff(starts, append=turns.size).min()), 256)
    return np.asarray(turns[starts[:, np.newaxis] + np.arange(length)], dtype=np.float64)


def _phase_and_slope(turns: NDArray[np.float64]) -> tuple[float, float, bool]:
    """Phase of the times on the grid (in refreshes), drift of that phase per refresh, and whether they follow it.

    From stretches of the run.
    """
    chosen = _stretches(turns)
    if len(chosen) == 1:
        overall = np.exp(2j * np.pi * turns).mean()
        return _in_turns(overall), 0.0, bool(abs(overall) >= LOCKED_CONCENTRATION)
    circle = np.exp(2j * np.pi * chosen)
    # First the rate inside the stretches: between them the phase may have turned round many times.
    lag = chosen.shape[1] // 2
    turned = _in_turns(np.mean(circle[:, lag:] * np.conj(circle[:, :-lag])))
    apart = float(np.mean(chosen[:, lag:] - chosen[:, :-lag]))
    # Equal display times lie no time apart, and tell no rate.
    coarse = turned / apart if abs(turned) <= WIDEST_RATE_DIFFERENCE * apart and apart > 0.0 else 0.0
    means = (circle * np.exp(-2j * np.pi * coarse * chosen) if coarse else circle).mean(axis=1)
    middles = chosen.mean(axis=1)
    if median(np.abs(means)) < LOCKED_CONCENTRATION or middles[-1] <= middles[0]:
        return _in_turns(means.mean()), 0.0, False
    center = float(middles.mean())
    fine, phase = np.polyfit(middles - center, np.unwrap(np.angle(means)) / (2.0 * np.pi), 1)
    phase, slope = phase - fine * center, float(coarse + fine)
    # Many frames within a few refreshes lie at one phase without following any rate.
    return (float(phase), slope, True) if abs(slope) <= WIDEST_RATE_DIFFERENCE else (float(phase), 0.0, False)


def _in_turns(direction: complex) -> float:
    return float(np.angle(direction) / (2.0 * np.pi))


def _emptiest_phase(turns: NDArray[np.float64]) -> float:
    """The phase around which fewest frames end, where the edge of the refreshes is laid.

    Frames at two or more fixed phases (24 frames on 60 Hz) leave gaps between them; an edge on one of the phases
    would let the last nanosecond decide.
    """
    n_bins, width = 120, 13
    counts = np.bincount((turns.ravel() % 1.0 * n_bins).astype(np.int64) % n_bins, minlength=n_bins)
    around = np.concatenate((counts[-(width // 2) :], counts, counts[: width // 2]))
    sums = np.convolve(around, np.hanning(width + 2)[1:-1], mode="valid")
    lowest = np.flatnonzero(sums <= sums.min() * (1.0 + 1e-9))
    # The middle of the first stretch of equally empty bins.
    breaks = np.flatnonzero(np.diff(lowest) > 1)
    stretch = lowest[: breaks[0] + 1] if breaks.size else lowest
    return float((stretch[stretch.size // 2] + 0.5) / n_bins)


class FixedSteps(NamedTuple):
    """Which frames are seen on a display of fixed rate, and for how long.

    Attributes
    ----------
    seen : ndarray of int64, shape (n_seen,)
        Frames of the run that are seen.
    steps : ndarray of int64, shape (n_seen - 1,)
        Refreshes from the first appearance of each to that of the next.
    errors_ms : ndarray of float64, shape (n_seen - 1,)
        By how much each shown step is longer than it should be: than the frame's own step, from its end to the end of
        the next; where the log's times are the shown times, than an even step, see `_off_an_even_step`.
    are_shown_times : bool
        Whether the log's times are the shown times: they keep to the refreshes as the shown steps do.
    replaced : ndarray of int64
        Frames that were replaced unseen.
    refresh_hz : float
    measured_hz : float or None
    from_display_times : bool
    """

    seen: NDArray[np.int64]
    steps: NDArray[np.int64]
    errors_ms: NDArray[np.float64]
    are_shown_times: bool
    replaced: NDArray[np.int64]
    refresh_hz: float
    measured_hz: float | None
    from_display_times: bool


@once_a_series
def fixed_steps_of(series: FrameSeries) -> FixedSteps | Missing:
    """Every shown frame on the refreshes, or why there are no steps between them."""
    refresh = series.options.refresh
    if refresh is None or not refresh.is_fixed:
        return _OTHER_KIND
    shown_ns, kept, from_display_times = appearances(series)
    if shown_ns.size < 2:
        return _FEW
    if falls(shown_ns):
        return _FALLING
    frames = np.flatnonzero(kept)
    numbers, measured_hz = first_refreshes(shown_ns, refresh, from_display_times=from_display_times)
    if numbers[-1] == numbers[0]:
        return Missing(reason="all frames that were shown fall on one refresh")
    period_ms = float(1000 / refresh.low_hz)
    steps = np.diff(numbers)
    # Of frames that would first appear on one refresh only the last is seen.
    unseen = np.flatnonzero(steps == 0) if not refresh.tearing else frames[:0]
    seen = np.delete(frames, unseen) if unseen.size else frames
    steps = steps[steps > 0] if unseen.size else steps
    ends_ns = series.timestamps_ns[1:]
    errors_ms = np.diff(ends_ns if seen.size == ends_ns.size else ends_ns[seen]) / -NS_PER_MS
    errors_ms += steps * period_ms
    are_shown_times = _rms(errors_ms) < SHOWN_TIMES_FRACTION * period_ms
    errors_ms = _off_an_even_step(steps) * period_ms if are_shown_times else errors_ms
    of_rate = frames[unseen], float(refresh.low_hz), measured_hz, from_display_times
    return FixedSteps(seen, steps, errors_ms, are_shown_times, *of_rate)


def _rms(values: NDArray[np.float64]) -> float:
    """By a sum of squares: a product of vectors would depend on how many cores there are."""
    return math.sqrt(float(np.square(values).mean()))


def _off_an_even_step(steps: NDArray[np.int64]) -> NDArray[np.float64]:
    """Each step less the mean of the steps around it: of stretches of about a second at 60 refreshes a second.

    In refreshes. An even number of steps, so that 2-3-2-3 is half a refresh off at every step; a scene that runs at
    another whole number of refreshes for seconds is even.
    """
    size = 2 * max(round(30.0 * steps.size / max(int(steps.sum()), 1)), 1)
    edges = np.arange(0, max(steps.size - size // 2, 1), size)
    counts = np.diff(edges, append=steps.size)
    return np.asarray(steps - np.repeat(np.add.reduceat(steps, edges) / counts, counts), dtype=np.float64)


@once_a_series
def fixed_refresh_of(series: FrameSeries) -> FixedRefreshFit | Missing:
    """Repeats, skips and judder on a display of fixed rate.

    The *cadence* of a frame is the number of refreshes from its first appearance to that of the next frame; a frame
    of cadence 3 was repeated twice. A step is *uneven* when its cadence differs from the one before: 24 frames per
    second on 60 Hz give 2-3-2-3, where every step is uneven. *Judder* is the rms of the shown step minus the
    frame's own step, in ms: 8.33 ms for that cadence. Where the log's times are the shown times the two are the same by
    definition: then it is the rms of the shown step minus an even step, which gives the same 8.33 ms.

    Returns
    -------
    FixedRefreshFit or Missing
        Missing where no fixed refresh was given, fewer than two refreshes show a new frame, or the display times fall
        back.

    Examples
    --------
    >>> from frametime.metrics.options import MeasureOptions, parse_refresh
    >>> film = FrameSeries(np.arange(25) * 41_666_667, options=MeasureOptions(refresh=parse_refresh("60")))
    >>> fit = fixed_refresh_of(film)
    >>> dict(fit.cadence), round(fit.judder_rms_ms, 2)
    ({'2': 12, '3': 11}, 8.33)
    """
    if isinstance(fixed := fixed_steps_of(series), Missing):
        return fixed
    steps = fixed.steps
    # Counted, not sorted, unless a pause has made one of them longer than all are many.
    counts = np.bincount(steps) if int(steps.max()) <= steps.size else None
    lengths, counts = np.unique(steps, return_counts=True) if counts is None else (np.flatnonzero(counts), counts)
    counts = counts[counts > 0]
    cadence = {str(length): count for length, count in zip(lengths.tolist(), counts.tolist(), strict=True)}
    return FixedRefreshFit(
        refresh_hz=fixed.refresh_hz,
        measured_hz=fixed.measured_hz,
        n_refreshes=int(steps.sum()),
        repeat_count=int(np.maximum(lengths - 1, 0) @ counts),
        skipped_frame_count=fixed.replaced.size,
        cadence=MappingProxyType(cadence),
        uneven_per_min=np.count_nonzero(np.diff(steps)) / (series.duration_s / 60.0) if steps.size > 1 else None,
        judder_rms_ms=_rms(fixed.errors_ms),
        are_shown_times=fixed.are_shown_times,
        from_display_times=fixed.from_display_times,
    )


class VariableSteps(NamedTuple):
    """The steps between shown frames on a display of variable rate, each with the frame that ends it.

    ``below`` and ``above`` say which steps lie outside the window; all arrays have shape (n_steps,).
    """

    frames: NDArray[np.int64]
    steps_ns: NDArray[np.int64]
    below: NDArray[np.bool_]
    above: NDArray[np.bool_]
    refresh: Refresh
    from_display_times: bool


@once_a_series
def variable_steps_of(series: FrameSeries) -> VariableSteps | Missing:
    """Every step between shown frames, or why there is none."""
    refresh = series.options.refresh
    if refresh is None or refresh.is_fixed:
        return _OTHER_KIND
    shown_ns, kept, from_display_times = appearances(series)
    frames = np.flatnonzero(kept)
    # A shown step needs two appearances; from frame ends the start of the first frame is known too.
    if from_display_times:
        frames = frames[1:]
    else:
        shown_ns = np.concatenate((np.zeros(1, dtype=np.int64), shown_ns))
    if shown_ns.size < 2:
        return _FEW
    if falls(shown_ns):
        return _FALLING
    if shown_ns[-1] == shown_ns[0]:
        return Missing(reason="all frames that were shown have the same display time")
    steps_ns = np.diff(shown_ns)
    return VariableSteps(
        frames=frames,
        steps_ns=steps_ns,
        # Whole nanoseconds: a step that rounds to the period of the edge lies on the edge, and the edge is inside.
        below=np.asarray(steps_ns > -(-NS_PER_S // refresh.low_hz)),
        above=np.asarray(steps_ns < NS_PER_S // refresh.high_hz),
        refresh=refresh,
        from_display_times=from_display_times,
    )


@once_a_series
def variable_refresh_of(series: FrameSeries) -> VariableRefreshFit | Missing:
    """Shares of frames and of time inside, below and above the window of a variable-refresh display.

    A frame is inside when its step lies between one period of the highest and one of the lowest rate. Below the
    window the display shows a frame twice or more (frame doubling) to stay in it; above it frames tear or wait.

    Returns
    -------
    VariableRefreshFit or Missing
        Missing where no window was given, with fewer than two shown frames, or where the display times do not rise.

    Examples
    --------
    >>> from frametime.metrics.options import MeasureOptions, parse_refresh
    >>> stamps_ns = np.array([0, 10, 20, 30, 60]) * 1_000_000
    >>> fit = variable_refresh_of(FrameSeries(stamps_ns, options=MeasureOptions(refresh=parse_refresh("48-165"))))
    >>> fit.inside_frames_fraction, fit.below_frames_fraction, fit.below_time_fraction
    (0.75, 0.25, 0.5)
    """
    if isinstance(found := variable_steps_of(series), Missing):
        return found
    refresh, steps_ns, inside = found.refresh, found.steps_ns, ~found.below & ~found.above

    def shares(chosen: NDArray[np.bool_]) -> tuple[float, float]:
        return float(chosen.mean()), float(steps_ns[chosen].sum()) / float(steps_ns.sum())

    return VariableRefreshFit(
        float(refresh.low_hz),
        float(refresh.high_hz),
        *shares(inside),
        *shares(found.below),
        *shares(found.above),
        found.from_display_times,
    )
