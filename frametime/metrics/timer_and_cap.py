"""What the timestamps give away: the steps of the clock that wrote them, and a cap that held the frames back."""

from __future__ import annotations

from math import sqrt
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.block_medians import median
from frametime.metrics.frame_series import frame_times_ms, frame_times_ns
from frametime.metrics.options import QualityRule

_STRETCH: Final = 1 << 16
# A value of the frame time that is no accident: at least this share of the frames, and this many.
_COMMON_SHARE: Final = 0.005
_COMMON_COUNT: Final = 3
# With only two values, the step is told from a change of level when the timestamps never leave an even beat.
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
    three in a row that are common, or two in a row between which the timestamps keep to an even beat.

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
    times_ns = frame_times_ns(middle_stretch(timestamps_ns))
    if int(np.gcd.reduce(times_ns[:256])) < least_ns:
        return None
    step_ns = int(np.gcd.reduce(times_ns))
    if step_ns < least_ns:
        return None
    multiples, counts = np.unique(times_ns // step_ns, return_counts=True)
    common = multiples[counts >= max(_COMMON_COUNT, _COMMON_SHARE * times_ns.size)]
    if np.any(common[2:] - common[:-2] == 2):
        return step_ns
    if common.size == 2 and common[1] - common[0] == 1 and _two_values_show_it(times_ns, step_ns):
        return step_ns
    return None


def _two_values_show_it(times_ns: NDArray[np.int64], step_ns: int) -> bool:
    mean_ns = float(times_ns.mean())
    if step_ns > _TWO_VALUE_STEP_FRACTION * mean_ns:
        return False
    deviations = times_ns - mean_ns
    beside_beat_ns = np.cumsum(deviations)
    keeps_beat = float(beside_beat_ns.max() - beside_beat_ns.min()) <= 2 * step_ns
    alternation = float((deviations[1:] * deviations[:-1]).sum() / np.square(deviations).sum())
    return keeps_beat and alternation > _ALTERNATING


_LOOKED_AT: Final = 4096
_BEATS: Final = 10
# Up to 10 % above the cluster lie at least 10 % of the slower frames (common practice, no source).
_CLOSE_BY: Final = 1.1
_CLOSE_BY_SHARE: Final = 0.1


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
    wide_fraction = rule.cap_wide_fraction
    wide = _share(sorted_frame_times_ms, cap_ms * (1.0 - wide_fraction), cap_ms * (1.0 + wide_fraction))
    beat_ms = _beat_ms(timestamps_ns, cap_ms, rule.cap_beat_ratio) if wide >= rule.cap_beat_share else None
    return None if beat_ms is None else Cap(frame_time_ms=beat_ms, share=wide, sign="beat")


def _commonest_ms(sorted_ms: NDArray[np.float64], share: float) -> float:
    """Middle of the shortest stretch of frame times that holds ``share`` of the frames."""
    ranks = np.linspace(0, sorted_ms.size - 1, min(sorted_ms.size, _LOOKED_AT)).astype(np.int64)
    looked_at_ms = sorted_ms[ranks]
    n_inside = min(max(1, int(share * looked_at_ms.size)), looked_at_ms.size - 1)
    widths_ms = looked_at_ms[n_inside:] - looked_at_ms[:-n_inside]
    first = int(np.argmin(widths_ms))
    return float(looked_at_ms[first + n_inside // 2])


def _share(sorted_ms: NDArray[np.float64], low_ms: float, high_ms: float) -> float:
    first = np.searchsorted(sorted_ms, low_ms, side="left")
    last = np.searchsorted(sorted_ms, high_ms, side="right")
    return float(last - first) / sorted_ms.size


def _beat_ms(timestamps_ns: NDArray[np.int64], near_ms: float, ratio: float) -> float | None:
    """The beat, when ten frames together spread less than ten independent frames would.

    Multiples of the beat are taken off first: a frame that misses one beat and takes the next still keeps to it.
    """
    stretch_ns = middle_stretch(timestamps_ns)
    if stretch_ns.size < 10 * _BEATS:
        return None
    tens_ms = (stretch_ns[_BEATS:] - stretch_ns[:-_BEATS]) / 1e6
    of_ten_beats = tens_ms[np.abs(tens_ms - _BEATS * near_ms) < 0.5 * near_ms]
    beat_ms = median(of_ten_beats) / _BEATS if of_ten_beats.size else near_ms
    one = _spread_beside_beat(frame_times_ms(stretch_ns), beat_ms)
    return beat_ms if _spread_beside_beat(tens_ms, beat_ms) < ratio * sqrt(_BEATS) * one else None


def _spread_beside_beat(spans_ms: NDArray[np.float64], beat_ms: float) -> float:
    """Median absolute deviation of the spans from whole beats, in beats."""
    beats = spans_ms / beat_ms
    beside = beats - np.rint(beats)
    return median(np.abs(beside - median(beside)))
