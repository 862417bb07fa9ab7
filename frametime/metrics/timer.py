"""The steps of the clock that wrote the timestamps, found from the timestamps."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.frame_times import frame_times_ns

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
