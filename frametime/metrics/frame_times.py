"""Timestamps to frame times: the only place in the package that takes their differences."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from frametime.units import NS_PER_MS

_BLOCK: Final = 1 << 15


def frame_times_ms(timestamps_ns: NDArray[np.int64]) -> NDArray[np.float64]:
    """Time from each frame to the next, in ms.

    The difference is taken as integers and divided afterwards: absolute nanoseconds are larger than 2**53, and as
    floating-point numbers they would lose tens of nanoseconds first.

    Parameters
    ----------
    timestamps_ns : ndarray of int64, shape (n_frames + 1,)
        Strictly rising.

    Returns
    -------
    ndarray of float64, shape (n_frames,)
        All > 0.

    Raises
    ------
    ValueError
        If there are fewer than two timestamps, or they do not rise.

    Examples
    --------
    >>> frame_times_ms(np.array([1_790_000_000_000_000_000, 1_790_000_000_016_666_667])).tolist()
    [16.666667]
    """
    if timestamps_ns.ndim != 1 or timestamps_ns.size < 2:
        raise ValueError(f"timestamps_ns must hold two values or more, got shape {timestamps_ns.shape!r}")
    times_ms = np.empty(timestamps_ns.size - 1)
    # In blocks that stay in the processor's cache: no second array of the size of the run.
    for start in range(0, times_ms.size, _BLOCK):
        block_ms = times_ms[start : start + _BLOCK]
        steps_ns = np.diff(timestamps_ns[start : start + _BLOCK + 1])
        if steps_ns.min() <= 0:
            raise ValueError("timestamps_ns must rise strictly")
        np.divide(steps_ns, NS_PER_MS, out=block_ms)
    return times_ms


def frame_times_ns(timestamps_ns: NDArray[np.int64]) -> NDArray[np.int64]:
    """The same as whole nanoseconds, for whoever needs to see the steps of the clock itself."""
    return np.diff(timestamps_ns)
