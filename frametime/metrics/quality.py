"""What is wrong with a capture: each check gives a caveat that names the numbers it bears on.

Two of them rest on what the timestamps give away: the steps of the clock that wrote them, and a cap that held the
frames back.
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from fractions import Fraction
from functools import partial
from itertools import pairwise
from math import ceil, sqrt
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.caveats import Caveat, Weight
from frametime.metrics.block_medians import common_step, median
from frametime.metrics.drift.drift import drift_of, seconds
from frametime.metrics.drift.segments import segments_of
from frametime.metrics.frame_series import FrameSeries, frame_times_ms, once_a_series
from frametime.metrics.level import LOW_KINDS, exact, low_key, quantile, share_label
from frametime.metrics.metric import keys_with
from frametime.metrics.options import QualityRule
from frametime.words import counted

# Over a hundred frames the steps of the clock are lost.
_PACING = (*(key for key in keys_with("group", "pacing") if key != "pacing_adev_100"), "alternation")
_LEVEL = ("average_fps", "median_frame_time_ms")
_PERCENTILE_KEYS: Final = {1.0: "p99_frame_time_ms", 0.1: "p99p9_frame_time_ms"}
"""Percentiles that rest on the slowest 1 % and 0.1 % of the frames, whatever lows are asked for."""


def quality_caveats(series: FrameSeries) -> tuple[Caveat, ...]:
    """The capture checks that need nothing but frame times.

    Warm-up, drift and parts that are not play are told by ``regularity_caveats``.

    Parameters
    ----------
    series : FrameSeries
        ``series.options.quality`` holds the thresholds.

    Returns
    -------
    tuple of Caveat
        ``gap``, ``few-frames``, ``short-run``, ``coarse-timer``, ``capped``, ``low-few-frames``.
    """
    return (
        *_gap(series),
        *_length(series),
        # A coarse clock gathers any frame times at a few values: a cap cannot be seen through it.
        *(_coarse_timer(series, step_ms) if (step_ms := timer_step_of(series)) else _capped(series)),
        *_few_in_tail(series),
    )


@once_a_series
def timer_step_of(series: FrameSeries) -> float:
    """Step of a coarse timer in ms; 0 where the frame times show none."""
    least_ns = series.options.quality.timer_note_fraction * quantile(series.sorted_ms, 0.5) * 1e6
    return (timer_step_ns(series.timestamps_ns, least_ns=least_ns) or 0) / 1e6


def _gap(series: FrameSeries) -> Iterator[Caveat]:
    limit_s = series.options.quality.gap_s
    n_gaps = series.n_frames - int(np.searchsorted(series.sorted_ms, limit_s * 1000.0, side="right"))
    if n_gaps == 0:
        return
    longest = int(np.argmax(series.frame_times_ms))
    gap_s = float(series.frame_times_ms[longest]) / 1000.0
    start_s = float(series.timestamps_ns[longest] - series.timestamps_ns[0]) / 1e9
    others = "" if n_gaps == 1 else f", the longest of {n_gaps} such gaps"
    message = (
        f"No frame for {in_decimals(gap_s, 1)} s, {in_decimals(start_s, 1)} s after the start{others}; cut it off or "
        "repeat the run."
    )
    yield Caveat(code="gap", message=message, weight=Weight.REPEAT)


def _length(series: FrameSeries) -> Iterator[Caveat]:
    rule = series.options.quality
    if series.n_frames < rule.min_frames:
        message = (
            f"Only {counted(series.n_frames, 'frame')}; {rule.min_frames} or more are needed for any of the numbers."
        )
        yield Caveat(code="few-frames", message=message, weight=Weight.REPEAT)
    elif series.duration_s < rule.min_duration_s:
        message = (
            f"The run lasts {in_decimals(series.duration_s, 1)} s; {rule.min_duration_s:g} s or more show how a scene "
            "runs."
        )
        yield Caveat(code="short-run", message=message, weight=Weight.CARE)


def _coarse_timer(series: FrameSeries, step_ms: float) -> Iterator[Caveat]:
    rule, fraction = series.options.quality, step_ms / quantile(series.sorted_ms, 0.5)
    weight = Weight.NOTE
    if fraction >= rule.timer_repeat_fraction:
        weight = Weight.REPEAT
    elif fraction >= rule.timer_care_fraction:
        weight = Weight.CARE
    # The difference of two times that are each rounded evenly over one step has a variance of step**2 / 6.
    message = (
        f"The timer is coarse: timestamps come in steps of {step_ms:.3g} ms, {100.0 * fraction:.2g} % of the median "
        f"frame time, which alone spreads single frames by {step_ms / sqrt(6.0):.2g} ms (standard deviation)."
    )
    tails = ("median_frame_time_ms", "p95_frame_time_ms", "p99_frame_time_ms", "p99p9_frame_time_ms")
    lows = tuple(low_key(pct, kind) for pct in series.options.slowest_pcts for kind in LOW_KINDS if kind != "mean")
    yield Caveat(code="coarse-timer", message=message, weight=weight, metrics=(*_PACING, *tails, *lows))


def _capped(series: FrameSeries) -> Iterator[Caveat]:
    """A cap of the run, or else of the longest part of play between two changes of level that has one."""
    rule, n = series.options.quality, series.n_frames
    steps_s = [change.time_s for change in drift_of(series).changes if change.kind == "level"]
    edges = [0, *np.searchsorted(series.ends_s, steps_s, side="right").tolist(), n] if steps_s else []
    still = [part for part in segments_of(series) if part.kind != "play"]
    for first, last in ((0, n), *sorted(pairwise(edges), key=lambda part: part[0] - part[1])):
        if last - first < max(rule.min_frames, 2):
            return
        middle_s = float(series.ends_s[(first + last) // 2])
        if last - first < n and any(part.start_s <= middle_s < part.end_s for part in still):
            continue
        times_ms = series.sorted_ms if last - first == n else np.sort(series.frame_times_ms[first:last])
        if (cap := find_cap(series.timestamps_ns[first : last + 1], times_ms, rule=rule)) is not None:
            part = f" from {seconds(series.ends_s[first])} to {seconds(series.ends_s[last - 1])}"
            message = _cap_message(cap, part if last - first < n else "")
            yield Caveat(code="capped", message=message, weight=Weight.CARE, metrics=_LEVEL)
            return


def _cap_message(cap: Cap, part: str) -> str:
    at = f"{in_decimals(cap.frame_time_ms, 2)} ms ({in_decimals(1000.0 / cap.frame_time_ms, 1)} fps)"
    if cap.sign == "equal":
        return f"Every frame{part} takes exactly {at}: a limiter, a fixed refresh, or times that were not measured."
    share = f"{100.0 * cap.share:.0f} % of the frames{part} take about {at}"
    why = {
        "cluster": "hardly any takes more or less",
        "wall": "hardly any takes less",
        "beat": "their timestamps keep to that beat",
    }[cap.sign]
    return f"{share} and {why}, as with a frame limiter or a fixed refresh: the rate shows the limit, not the card."


def _few_in_tail(series: FrameSeries) -> Iterator[Caveat]:
    """For each share of the slowest frames: whether enough frames lie in it, and how many would be needed.

    The shares of the lows asked for, and those of the percentiles that every run has.
    """
    lows, needed = series.options.slowest_pcts, series.options.quality.min_tail_frames
    for pct in (*lows, *(pct for pct in _PERCENTILE_KEYS if pct not in lows)):
        is_low, share = pct in lows, exact(pct) / 100
        n_tail = share * series.n_frames
        if 2 * n_tail >= 2 * needed - 1:  # 9.9 frames are 10: a run of 10 s is not told that it needs 10 s
            continue
        shown = round(float(n_tail), 1) if n_tail >= Fraction(1, 10) else float(f"{float(n_tail):.2g}")
        n_needed = ceil(needed / share)
        more_s = n_needed * series.duration_s / series.n_frames
        keys = tuple(low_key(pct, kind) for kind in LOW_KINDS) if is_low else ()
        percentile = (_PERCENTILE_KEYS[pct],) if pct in _PERCENTILE_KEYS else ()
        message = (
            f"The slowest {share_label(pct)} are {counted(shown, 'frame')}; a {'low' if is_low else 'percentile'} "
            f"needs {needed} or more, that is {n_needed} frames, {in_decimals(more_s, 0)} s at this rate."
        )
        # The everyday low makes the run weak; a rarer tail is weak itself, and says so beside its number.
        weight = Weight.CARE if is_low and pct >= 1.0 else Weight.NOTE
        yield Caveat(code="low-few-frames", message=message, weight=weight, metrics=(*keys, *percentile))


_WHOLE_FROM: Final = 10_000.0


def in_decimals(value: float, decimals: int) -> str:
    """A number with so many decimals; a smaller one with two significant digits, a large one whole.

    Examples
    --------
    >>> in_decimals(10.0, 2), in_decimals(0.001, 2), in_decimals(100_030.0, 2), in_decimals(0.0, 1)
    ('10.00', '0.001', '100,030', '0.0')
    """
    size = abs(value)
    if size >= _WHOLE_FROM:
        return f"{value:,.0f}"
    if 0.0 < size < 10.0**-decimals:
        return format(Decimal(f"{value:.2g}"), "f")
    return f"{value:.{decimals}f}"


_STRETCH: Final = 1 << 16
# A value of the frame time that is no accident: at least this share of the frames, and this many.
_COMMON_SHARE: Final = 0.005
_COMMON_COUNT: Final = 3
# With only two values and no round step, it is told from a change of level where no timestamp leaves an even beat.
_TWO_VALUE_STEP_FRACTION: Final = 0.25
_ALTERNATING: Final = -0.9


def middle_stretch(timestamps_ns: NDArray[np.int64]) -> NDArray[np.int64]:
    """Timestamps of at most 65 536 frames from the middle of the run: enough to see its clock and its beat."""
    start = max(0, (timestamps_ns.size - _STRETCH) // 2)
    return timestamps_ns[start : start + _STRETCH]


def timer_step_ns(timestamps_ns: NDArray[np.int64], *, least_ns: float) -> int | None:
    """Step of the clock in ns, where the frame times show it.

    All frame times are whole multiples of the step; it is their greatest common divisor. Frame times that are equal, or
    jump between two levels, have a large common divisor with any clock. So the multiples must show the clock at work:
    three in a row that are common, or two at random of a round step (that of a clock, or of the digits written),
    or between which the timestamps keep to an even beat.

    Parameters
    ----------
    timestamps_ns : ndarray of int64, shape (n_frames + 1,)
    least_ns : float
        A smaller step is not looked for.

    Returns
    -------
    int or None
        ``None`` where the step is smaller, or the frame times do not show it.

    Examples
    --------
    >>> beat_ns = np.arange(1000) * 16_400_000
    >>> timer_step_ns(beat_ns // 1_000_000 * 1_000_000, least_ns=1e5)
    1000000
    >>> timer_step_ns(beat_ns, least_ns=1e5) is None
    True
    """
    times_ns = np.diff(middle_stretch(timestamps_ns))
    if not (step_ns := common_step(times_ns, least_ns)):
        return None
    multiples, counts = np.unique(times_ns // step_ns, return_counts=True)
    common = multiples[counts >= max(_COMMON_COUNT, _COMMON_SHARE * times_ns.size)]
    if np.any(common[2:] - common[:-2] == 2):
        return step_ns
    if common.size == 2 and common[1] - common[0] == 1 and _two_values_show_it(times_ns, step_ns):
        return step_ns
    return None


def _two_values_show_it(times_ns: NDArray[np.int64], step_ns: int) -> bool:
    """Whether neighbors at random are a clock's: its step is a round number, or the timestamps keep to an even beat."""
    if 10 ** (len(str(step_ns)) - 1) == step_ns and int(times_ns.min()) > step_ns:
        return True
    mean_ns = float(times_ns.mean())
    deviations = times_ns - mean_ns
    # Frames long and short in turn keep to a beat as well.
    alternates = float((deviations[1:] * deviations[:-1]).sum()) <= _ALTERNATING * float(np.square(deviations).sum())
    beside_beat_ns = np.cumsum(deviations)
    keeps_beat = float(beside_beat_ns.max() - beside_beat_ns.min()) <= 2 * step_ns
    return keeps_beat and not alternates and step_ns <= _TWO_VALUE_STEP_FRACTION * mean_ns


_LEAST_SPAN: Final = 10
_LONGEST_SPAN: Final = 256
"""Frames over which a beat is looked for: a sixteenth of the run within these."""
# Up to 10 % above the cluster lie at least 10 % of the slower frames (common practice, no source).
_CLOSE_BY: Final = 1.1
_CLOSE_BY_SHARE: Final = 0.1
# From 1 % on frames of half the commonest length show what beat that one is two of (common practice, no source).
_HALVED_SHARE: Final = 0.01


class Cap(NamedTuple):
    """A cap: the frame time it holds, the share of frames at it, and what gave it away.

    ``sign`` is 'equal' when all frame times are equal, 'cluster' when nearly all are, 'wall' when many are and hardly
    any frame is faster, 'beat' when the timestamps keep to an even beat.
    """

    frame_time_ms: float
    share: float
    sign: Literal["equal", "cluster", "wall", "beat"]


def find_cap(
    timestamps_ns: NDArray[np.int64], sorted_frame_times_ms: NDArray[np.float64], *, rule: QualityRule
) -> Cap | None:
    """The cap, if the frame times show one.

    Ordinary noise clusters too. It differs from a cap in that frames are faster than the cluster as often as slower,
    and that its timestamps wander: ``k`` independent frames together spread ``sqrt(k)`` times as much as one, while
    frames that wait for a beat spread no more than one.

    Parameters
    ----------
    timestamps_ns : ndarray of int64, shape (n_frames + 1,)
    sorted_frame_times_ms : ndarray of float64, shape (n_frames,)
        Two frames or more: one alone keeps to nothing.
    rule : QualityRule

    Returns
    -------
    Cap or None
    """
    cap_ms = _commonest_ms(sorted_frame_times_ms, rule.cap_share)
    near_fraction = rule.cap_near_fraction
    near = _share(sorted_frame_times_ms, cap_ms * (1.0 - near_fraction), cap_ms * (1.0 + near_fraction))
    if sorted_frame_times_ms[0] == sorted_frame_times_ms[-1]:
        return Cap(frame_time_ms=cap_ms, share=1.0, sign="equal")
    if near >= rule.cap_all_share:
        return Cap(frame_time_ms=cap_ms, share=near, sign="cluster")
    faster = _share(sorted_frame_times_ms, 0.0, np.nextafter(cap_ms * (1.0 - near_fraction), 0.0))
    slower = 1.0 - faster - near
    close_by = _share(sorted_frame_times_ms, cap_ms * (1.0 + near_fraction), cap_ms * _CLOSE_BY)
    if (
        near >= rule.cap_share
        and faster <= min(rule.cap_faster_share, rule.cap_one_sided * slower)
        # A second level, apart from the first, is no sign of a cap: slower frames must follow close on the cluster.
        and close_by >= _CLOSE_BY_SHARE * slower
    ):
        return Cap(frame_time_ms=cap_ms, share=near, sign="wall")
    around = partial(_share_around, sorted_frame_times_ms, rule.cap_wide_fraction)
    # A frame that misses a beat lasts two, and where most do that is the commonest frame time.
    halved = [cap_ms / 2.0] if around(cap_ms / 2.0) >= _HALVED_SHARE else []
    for base_ms in (cap_ms, *halved):
        is_looked_at = sum(around(base_ms, beats) for beats in (1, 2, 3)) >= rule.cap_beat_share
        beat_ms = _beat_ms(timestamps_ns, base_ms, rule.cap_beat_ratio) if is_looked_at else None
        if beat_ms is not None:
            return Cap(frame_time_ms=beat_ms * round(cap_ms / base_ms), share=around(cap_ms), sign="beat")
    return None


def _share_around(sorted_ms: NDArray[np.float64], fraction: float, base_ms: float, beats: int = 1) -> float:
    """Share of the frames that last so many beats, give or take this fraction of one."""
    return _share(sorted_ms, base_ms * (beats - fraction), base_ms * (beats + fraction))


def _commonest_ms(sorted_ms: NDArray[np.float64], share: float) -> float:
    """Middle of the shortest stretch of frame times that holds ``share`` of the frames."""
    n_inside = min(max(1, int(share * sorted_ms.size)), sorted_ms.size - 1)
    first = int(np.argmin(sorted_ms[n_inside:] - sorted_ms[:-n_inside]))
    return float(sorted_ms[first + n_inside // 2])


def _share(sorted_ms: NDArray[np.float64], low_ms: float, high_ms: float) -> float:
    first, last = sorted_ms.searchsorted(low_ms, side="left"), sorted_ms.searchsorted(high_ms, side="right")
    return float(last - first) / sorted_ms.size


def _beat_ms(timestamps_ns: NDArray[np.int64], near_ms: float, ratio: float) -> float | None:
    """The beat, when many frames together spread hardly more beside whole beats than one frame does.

    A frame that misses one beat and takes the next still keeps to it. Few frames would not do: where the times of a
    steady scene jitter and no frame passes that on, ten frames spread no more than one, and only many wander.
    """
    times_ms = frame_times_ms(middle_stretch(timestamps_ns)[: 16 * _LONGEST_SPAN])
    if times_ms.size < 10 * _LEAST_SPAN:
        return None
    beats, ends_ms = np.cumsum(np.rint(times_ms / near_ms)), np.cumsum(times_ms)
    centered = beats - beats.mean()
    # Sums, not products of vectors: those wake the threads of the algebra library, which costs more than all of this.
    beat_ms = float((centered * ends_ms).sum() / (centered**2).sum())
    beside_ms, span = ends_ms - beat_ms * beats, min(max(times_ms.size // 16, _LEAST_SPAN), _LONGEST_SPAN)
    one, many = (_spread(beside_ms[n_frames:] - beside_ms[:-n_frames]) for n_frames in (1, span))
    return beat_ms if many < ratio * one else None


def _spread(values: NDArray[np.float64]) -> float:
    """Median absolute deviation."""
    return median(np.abs(values - median(values)))
