"""Timestamps to frame times: the only place in the package that takes their differences."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from frametime.units import NS_PER_MS


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
    steps_ns = np.diff(timestamps_ns)
    if steps_ns.min() <= 0:
        raise ValueError("timestamps_ns must rise strictly")
    return np.asarray(steps_ns / NS_PER_MS, dtype=np.float64)
