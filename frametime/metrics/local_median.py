"""The local median: the median of the frames around a frame, the frame itself left out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from frametime.units import NS_PER_S


def windows(
    timestamps_ns: NDArray[np.int64], positions: NDArray[np.int64], *, window_s: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First frame of the window around each frame, and one past the last.

    The window is half of ``window_s`` before the start of the frame and half of it after its end; every other frame
    that lies in it, wholly or in part, belongs to it. Measured from the frame's edges, it holds the frame before and
    the frame after whatever the length of the frame, a freeze included.
    """
    half_ns = round(window_s * NS_PER_S / 2)
    # Frame j begins at timestamp j and ends at timestamp j + 1.
    first = np.searchsorted(timestamps_ns, timestamps_ns[positions] - half_ns, side="right") - 1
    last = np.searchsorted(timestamps_ns, timestamps_ns[positions + 1] + half_ns, side="left")
    n_frames = timestamps_ns.size - 1
    return np.clip(first, 0, None), np.clip(last, None, n_frames)


def local_medians_ms(
    timestamps_ns: NDArray[np.int64],
    frame_times_ms: NDArray[np.float64],
    positions: NDArray[np.int64],
    *,
    window_s: float,
) -> NDArray[np.float64]:
    """Local median at each position; infinite where a frame has no other frame around it."""
    first, last = windows(timestamps_ns, positions, window_s=window_s)
    return np.array(
        [
            np.median(np.concatenate([frame_times_ms[a:i], frame_times_ms[i + 1 : b]])) if b - a > 1 else np.inf
            for a, i, b in zip(first.tolist(), positions.tolist(), last.tolist(), strict=True)
        ],
        dtype=np.float64,
    )
