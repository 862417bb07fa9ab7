"""Caveats of what is found in a run: throttling, warm-up, drift, stutters, parts that are no play, display, dropped."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from math import ceil, exp, log
from typing import Final

import numpy as np
from numpy.typing import NDArray

from frametime.caveats import Caveat, Weight
from frametime.metrics.block_medians import as_rows
from frametime.metrics.catalog import FIXED, SHOWN, VARIABLE
from frametime.metrics.display.display import display_time_falls, fixed_refresh_of, variable_refresh_of
from frametime.metrics.display.shown import dropped_of, motion_steps
from frametime.metrics.drift import drift as course
from frametime.metrics.drift.segments import segments_of
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import DroppedFrames, Missing, known
from frametime.metrics.sensors.sensor_findings import clocks_with, throttling_caveats
from frametime.metrics.stutter import TIE_MS, find_stutters, stutters_of, windows
from frametime.ranges import RANGES
from frametime.words import begun, counted, first_of

FIXED_KEYS: Final = tuple(FIXED)
VARIABLE_KEYS: Final = tuple(VARIABLE)
MOTION_KEYS: Final = tuple(key for key in SHOWN if key.startswith("motion_"))

EARLY_SHARE: Final = 0.9
EARLY_PART: Final = 0.25
EARLY_SECONDS: Final = 5
"""Stutters are early where this share of them lies in this part of the run, in so many of its seconds (common practice,
no source): of five stutters at random times all lie so in one run of 1 000, of more in fewer."""
GATHERED_SHARES: Final = (1.0, 0.9, 0.75)
GATHERED_PART: Final = 0.6
GATHERED_CHANCE: Final = 0.002
"""Stutters gather where one of these shares of them lies within this part of the run, and random times would do so with
a smaller chance than this (common practice, no source)."""

ALIKE_RATIO: Final = 1.25
ALIKE_SHARE: Final = 0.4
ALIKE_FRAMES: Final = 12
ALIKE_LOOKS: Final = 200
"""No frame stands out where so many or more lie on a side of it, this share of them as long but for this ratio (common
practice, no source): frames of 40 ms and more do. Of more stutters than so many every second or third is looked at."""

NEAR_LIMIT: Final = 0.05
NEAR_LIMIT_FRAMES: Final = 10
"""So many frames or more within this share of the limit of stutters, and half as many as count, are told (common
practice, no source)."""
EDGE_S: Final = 1.0
"""A change of level this near to an edge of a still part is that edge (our own choice)."""
STUTTER_KEYS: Final = ("stutter_count", "stutter_per_min", "stutter_time_fraction")

TOLD_CLOCK_DRIFT_PPM: Final = 10.0
"""Drift of two clocks beyond which it is told; two ordinary quartz clocks differ by tens of parts per million
(common practice, no source)."""
TOLD_RATE_DIFFERENCE: Final = 2e-4
"""Relative difference of the measured from the nominal refresh rate beyond which it is told. A fifth of the step from
60 to 60000/1001 Hz."""


def regularity_caveats(series: FrameSeries) -> tuple[Caveat, ...]:
    """Caveats of the findings of a run, each naming the metrics it bears on.

    Codes: ``throttled``, ``warm-up``, ``stutters-of-level``, ``stutters-gather``, ``stutters-at-limit``, ``drift``,
    ``level-change``, ``odd-stretch``, ``not-all-play``, ``display-times-fall``, ``display-from-frame-ends``,
    ``refresh-rate-differs``, ``motion-from-frame-ends``, ``clock-drift-removed``, ``dropped-frames``.
    """
    timing = *throttling_caveats(series), *_of_drift(series), *_of_stutters(series), *_of_segments(series)
    return (*timing, *_of_display(series), *_of_motion(series), *_of_dropped(series))


def _of_drift(series: FrameSeries) -> Iterator[Caveat]:
    drift = course.drift_of(series)
    begin_s = 0.0 if drift.warm_up is None else drift.warm_up.skip_s
    if drift.warm_up is not None:
        told = f"{begun(drift.warm_up.sentence)}; --skip-start auto (in a plan: skip_warm_up) leaves them out."
        yield Caveat(code="warm-up", message=told, weight=Weight.CARE)
    # That a menu begins or ends, its own caveat says.
    edges_s = [at_s for part in segments_of(series) if part.kind == "still" for at_s in (part.start_s, part.end_s)]
    of_level = (change for change in drift.changes if change.kind == "level")
    if steps := [one for one in of_level if all(abs(one.time_s - at_s) > EDGE_S for at_s in edges_s)]:
        more = f", and {counted(len(steps) - 1, 'more change')} of level" if len(steps) > 1 else ""
        at_s, until_s = steps[0].time_s, [*(step.time_s for step in steps[1:]), series.duration_s][0]
        clocks = clocks_with(series, (begin_s, at_s), (at_s, until_s), ratio=steps[0].after_ms / steps[0].before_ms)
        told = f"The run has {steps[0].sentence}{more}{clocks}."
        yield Caveat(code="level-change", message=told, weight=Weight.CARE)
    if told := course.odd_stretch(series):
        yield Caveat(code="odd-stretch", message=f"{told}: what happens there?", weight=Weight.NOTE)
    if drift.is_drift and drift.slope_pct_per_min is not None:
        change, end_s = course.slope_words(drift.slope_pct_per_min), series.duration_s
        levels = course.ends_words(course.settled_levels_ms(series))
        ratio, tenth_s = exp(drift.slope_pct_per_min / 100.0 * (end_s - begin_s) / 60.0), 0.1 * (end_s - begin_s)
        clocks = clocks_with(series, (begin_s, begin_s + tenth_s), (end_s - tenth_s, end_s), ratio=ratio)
        told = f"The run gets {change} ({levels}, p = {drift.p_value:.1g}){clocks}."
        yield Caveat(code="drift", message=told, weight=Weight.CARE)


def _of_stutters(series: FrameSeries) -> Iterator[Caveat]:
    """Stutters that a second run may not have; those of one second may be one event."""
    ends_s, drift = stutters_of(series).ends_s, course.drift_of(series)
    early_s = ends_s[ends_s <= EARLY_PART * series.duration_s]
    has_many = early_s.size >= EARLY_SHARE * ends_s.size and np.unique(early_s // 1.0).size >= EARLY_SECONDS
    keeps_level = drift.warm_up is None and all(change.kind != "level" for change in drift.changes)
    if 2 * (n_alike := _like_those_beside(series)) > ends_s.size:
        told = (
            f"{'About ' * (ends_s.size >= 2 * ALIKE_LOOKS)}{n_alike} of {ends_s.size} stutters last hardly longer than "
            "many frames beside them: the level jumps there, or frames are long and short in turn."
        )
        yield Caveat(code="stutters-of-level", message=told, weight=Weight.CARE, metrics=STUTTER_KEYS)
    elif has_many and drift.warm_up is None:
        where = f"in the first {(until_s := ceil(early_s[-1]))} s, as where a game still loads"
        cut = f"--skip-start {until_s} (in a plan: skip_start_s) leaves them out"
        told = f"{early_s.size} of {ends_s.size} stutters lie {where}; {cut}."
        yield Caveat(code="warm-up", message=told, weight=Weight.CARE)
    elif keeps_level and (told := gathering(ends_s, series.duration_s)):
        yield Caveat(code="stutters-gather", message=f"{told}: what happens there?", weight=Weight.NOTE)
    yield from _of_frames_at_the_limit(series, ends_s.size)


def _like_those_beside(series: FrameSeries) -> int:
    """How many stutters are as long as many frames on one side of them: long only beside very many shorter ones.

    Half a second before a menu of 500 fps, its frames are the median of all that are around. Of very many stutters,
    some hundred stand for all.
    """
    rule, stutters = series.options.stutter, stutters_of(series)
    looked_at = stutters.positions[:: max(stutters.count // ALIKE_LOOKS, 1)]
    first, last = windows(series.timestamps_ns, looked_at, window_s=rule.window_s)
    alike = np.zeros(looked_at.size, dtype=np.bool_)
    for low, high in (first, looked_at), (looked_at + 1, last):
        beside_ms, beyond = as_rows(series.frame_times_ms, low, high - low)
        n_alike = (~beyond & (ALIKE_RATIO * beside_ms >= series.frame_times_ms[looked_at, None])).sum(axis=1)
        alike |= (high - low >= ALIKE_FRAMES) & (n_alike >= ALIKE_SHARE * (high - low))
    return round(stutters.count * float(alike.sum()) / max(alike.size, 1))


def _of_frames_at_the_limit(series: FrameSeries, n_stutters: int) -> Iterator[Caveat]:
    """A count that hangs on the jitter of the clock, as where frames miss a beat of the display and last two."""
    rule, times_ms = series.options.stutter, series.sorted_ms
    beside = rule.ratio * (1.0 - NEAR_LIMIT), rule.ratio * (1.0 + NEAR_LIMIT)
    n_beyond = times_ms.size - int(np.searchsorted(times_ms, beside[0] * times_ms[times_ms.size // 2]))
    if n_beyond < NEAR_LIMIT_FRAMES or not all(map(RANGES["ratio"].holds, beside)):
        return
    found = find_stutters(series.timestamps_ns, series.frame_times_ms, rule=replace(rule, ratio=beside[0]))
    most, least = found.count, int((found.frame_times_ms > beside[1] * found.local_medians_ms + TIE_MS).sum())
    if most - least >= max(NEAR_LIMIT_FRAMES, n_stutters / 2):
        told = (
            f"{most - least} frames last about {rule.ratio:g} x the local median, where stutters begin: {n_stutters} "
            f"count, {most} with --stutter-ratio {beside[0]:g} (in a plan: stutter_ratio), {least} with {beside[1]:g}."
        )
        yield Caveat(code="stutters-at-limit", message=told, weight=Weight.NOTE, metrics=STUTTER_KEYS)


def gathering(times_s: NDArray[np.float64], run_s: float) -> str:
    """Where most stutters of a run lie together, more closely than random times would; empty where they do not.

    Of n random times some k lie within a part f of the run that begins with one of them, with a chance of n exp(-(n -
    1) D) at most, where D is the divergence of (k - 1) / (n - 1) from f (H. Chernoff, Annals of Mathematical Statistics
    23, 1952, from memory).

    Examples
    --------
    >>> gathering(np.array([3.0, 41.0, 41.5, 42.0, 42.2, 42.5, 42.7, 43.0, 43.1, 43.4]), 60.0)
    '9 of 10 stutters lie between 41 s and 43 s'
    >>> gathering(np.array([3.0, 14.0, 25.0, 29.0, 47.0, 58.0]), 60.0)
    ''
    """
    n, found = times_s.size, [(log(GATHERED_CHANCE), 0.0, 0.0, 0)]
    for n_together in (ceil(share * n) for share in GATHERED_SHARES if n > 2):
        widths_s = times_s[n_together - 1 :] - times_s[: n - n_together + 1]
        first = int(widths_s.argmin())
        part, share = max(float(widths_s[first]) / run_s, 1e-9), (n_together - 1) / (n - 1)
        if part <= GATHERED_PART:
            divergence = share * log(share / part) + (1.0 - share) * log(max(1.0 - share, 1e-9) / (1.0 - part))
            found.append((log(n) - (n - 1) * divergence, times_s[first], times_s[first + n_together - 1], n_together))
    _, begin_s, end_s, most = min(found)
    return f"{most} of {n} stutters lie between {course.seconds(begin_s)} and {course.seconds(end_s)}" if most else ""


def _of_segments(series: FrameSeries) -> Iterator[Caveat]:
    others = [segment for segment in segments_of(series) if segment.kind != "play"]
    if others:
        spans = [f"{part.kind} from {course.seconds(part.start_s)} to {course.seconds(part.end_s)}" for part in others]
        measures = "--segment longest (in a plan: segment) measures the longest stretch of play"
        told = f"Parts of the capture are not play: {first_of(spans, 3)}. Nothing was cut; {measures}."
        yield Caveat(code="not-all-play", message=told, weight=Weight.CARE)


def _of_display(series: FrameSeries) -> Iterator[Caveat]:
    fixed, variable = known(fixed_refresh_of(series)), known(variable_refresh_of(series))
    n_falls = display_time_falls(series)
    if n_falls:
        message = (
            f"The display times fall back {counted(n_falls, 'time')}: the frames do not stand in the order in which "
            "they were shown, so nothing is told of the display."
        )
        every = (*FIXED_KEYS, *VARIABLE_KEYS, *MOTION_KEYS)
        yield Caveat(code="display-times-fall", message=message, weight=Weight.CARE, metrics=every)
    noted = partial(Caveat, weight=Weight.NOTE, metrics=FIXED_KEYS if fixed is not None else VARIABLE_KEYS)
    fit = fixed or variable
    if fit is not None and not fit.from_display_times:
        message = "The log has no display times: what the display showed is worked out from the ends of the frames."
        yield noted(code="display-from-frame-ends", message=message)
    if fixed is not None and fixed.measured_hz is not None:
        difference = fixed.measured_hz / fixed.refresh_hz - 1.0
        if abs(difference) > TOLD_RATE_DIFFERENCE:
            message = f"The times follow {fixed.measured_hz:.5g} Hz, not the {fixed.refresh_hz:.5g} Hz given."
            yield noted(code="refresh-rate-differs", message=message)


def _of_motion(series: FrameSeries) -> Iterator[Caveat]:
    if isinstance(motion := motion_steps(series), Missing):
        return
    noted = partial(Caveat, weight=Weight.NOTE, metrics=MOTION_KEYS)
    if not motion.from_display_times:
        message = "The log has no display times: motion steps are from the ends of the frames."
        yield noted(code="motion-from-frame-ends", message=message)
    if abs(motion.clock_drift_ppm) > TOLD_CLOCK_DRIFT_PPM:
        message = (
            f"Shown and simulated times part by {abs(motion.clock_drift_ppm):.3g} parts per million: two clocks that "
            "drift apart, or a delay that changes with the scene; removed from the motion steps."
        )
        yield noted(code="clock-drift-removed", message=message)


def _of_dropped(series: FrameSeries) -> Iterator[Caveat]:
    dropped = dropped_of(series)
    if isinstance(dropped, DroppedFrames) and dropped.count:
        message = (
            f"{dropped.count} of {series.n_frames} frames were never shown ({course.percent(100.0 * dropped.fraction)} "
            f"%, {dropped.longest_run} in a row at most): the metrics count rendered frames, the shown ones alone run "
            f"at {dropped.shown_average_fps:.4g} fps."
        )
        yield Caveat(code="dropped-frames", message=message, weight=Weight.CARE)
