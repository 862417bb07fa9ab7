"""The local median: the median of the frames around a frame, the frame itself left out.

Exact at every length of run: few windows are gathered and sorted, many go through a wavelet matrix piece by piece.
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from frametime.units import NS_PER_S

# Elements of one batch of gathered windows (16 MB), and of one piece of the run for the wavelet matrix.
_BATCH: Final = 1 << 21
_PIECE: Final = 1 << 17
_GATHERED_PER_FRAME: Final = 8
_KEYS: Final = 1 << 12


def windows(
    timestamps_ns: NDArray[np.int64], positions: NDArray[np.int64], *, window_s: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First frame of the window around each frame, and one past the last.

    The window is half of ``window_s`` before the start of the frame and half of it after its end; every other frame
    that lies in it, wholly or in part, belongs to it. Measured from the frame's edges, it holds the frame before and
    the frame after whatever the length of the frame, a freeze included.

    Parameters
    ----------
    timestamps_ns : ndarray of int64, shape (n_frames + 1,)
    positions : ndarray of int64, shape (k,)
        Rising indices of frames.
    window_s : float

    Returns
    -------
    tuple of ndarray of int64, shape (k,)
    """
    half_ns = half_window_ns(window_s)
    # Frame j begins at timestamp j and ends at timestamp j + 1.
    first = search_rising(timestamps_ns, timestamps_ns[positions] - half_ns, side="right") - 1
    last = search_rising(timestamps_ns, timestamps_ns[positions + 1] + half_ns, side="left")
    n_frames = timestamps_ns.size - 1
    return np.maximum(first, 0), np.minimum(last, n_frames)


def search_rising(
    values: NDArray[np.int64], keys: NDArray[np.int64], *, side: Literal["left", "right"]
) -> NDArray[np.int64]:
    """``np.searchsorted`` for keys that rise, too: each group of keys is searched for in its own stretch only.

    The whole array would be walked through for every key, and its middle is never in the cache.
    """
    places = np.empty(keys.size, dtype=np.int64)
    for start in range(0, keys.size, _KEYS):
        group = keys[start : start + _KEYS]
        low, high = np.searchsorted(values, group[[0, -1]], side=side).tolist()
        places[start : start + _KEYS] = low + np.searchsorted(values[low:high], group, side=side)
    return places


def half_window_ns(window_s: float) -> int:
    """Half of the window, as the integer that all comparisons use."""
    return round(window_s * NS_PER_S / 2)


def local_medians_ms(
    timestamps_ns: NDArray[np.int64],
    frame_times_ms: NDArray[np.float64],
    positions: NDArray[np.int64],
    *,
    window_s: float,
) -> NDArray[np.float64]:
    """Local median at each position; infinite in a run of one frame, which has no frame around it.

    Parameters
    ----------
    timestamps_ns : ndarray of int64, shape (n_frames + 1,)
    frame_times_ms : ndarray of float64, shape (n_frames,)
    positions : ndarray of int64, shape (k,)
        Rising indices of frames.
    window_s : float
        See `windows`.

    Returns
    -------
    ndarray of float64, shape (k,)

    Examples
    --------
    >>> times_ms = np.array([10.0, 11.0, 90.0, 12.0, 14.0])
    >>> timestamps_ns = np.concatenate([[0], np.cumsum(times_ms * 1e6).astype(np.int64)])
    >>> local_medians_ms(timestamps_ns, times_ms, np.array([2]), window_s=1.0).tolist()
    [11.5]
    """
    first, last = windows(timestamps_ns, positions, window_s=window_s)
    if frame_times_ms.size < 2:
        return np.full(positions.size, np.inf)
    n_gathered = int((last - first).sum())
    if n_gathered <= _BATCH + _GATHERED_PER_FRAME * frame_times_ms.size:
        return _by_gathering(frame_times_ms, positions, first, last)
    return _by_pieces(frame_times_ms, positions, first, last)


def _by_gathering(
    frame_times_ms: NDArray[np.float64],
    positions: NDArray[np.int64],
    first: NDArray[np.int64],
    last: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Each window as a row, filled up with infinity, sorted."""
    medians_ms = np.empty(positions.size)
    n_others = last - first - 1
    by_width = np.argsort(n_others, kind="stable")
    start = 0
    while start < by_width.size:
        # Rows of one batch have about equal widths, because they come in the order of width.
        stop = start + max(1, _BATCH // (int(n_others[by_width[start]]) + 1) // 2)
        rows = by_width[start:stop]
        wide = n_others[rows] > 2 * n_others[rows[0]]
        rows = rows[: int(np.argmax(wide))] if wide.any() else rows
        offsets = np.arange(int(n_others[rows[-1]]) + 1)
        frames = first[rows, None] + offsets
        outside = (frames >= last[rows, None]) | (frames == positions[rows, None])
        np.minimum(frames, frame_times_ms.size - 1, out=frames)
        values_ms = frame_times_ms[frames]
        values_ms[outside] = np.inf
        values_ms.sort(axis=1)
        lower = np.take_along_axis(values_ms, (n_others[rows, None] - 1) // 2, axis=1)[:, 0]
        upper = np.take_along_axis(values_ms, n_others[rows, None] // 2, axis=1)[:, 0]
        medians_ms[rows] = 0.5 * (lower + upper)
        start += rows.size
    return medians_ms


def _by_pieces(
    frame_times_ms: NDArray[np.float64],
    positions: NDArray[np.int64],
    first: NDArray[np.int64],
    last: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Pieces of the run that fit the cache, each with the windows that begin in it."""
    from frametime.metrics.wavelet_matrix import WaveletMatrix

    medians_ms = np.empty(positions.size)
    start = 0
    while start < positions.size:
        stop = int(np.searchsorted(first, first[start] + _PIECE, side="left"))
        offset = int(first[start])
        piece = WaveletMatrix(frame_times_ms[offset : int(last[stop - 1])])
        medians_ms[start:stop] = piece.medians_without(
            positions[start:stop] - offset, first[start:stop] - offset, last[start:stop] - offset
        )
        start = stop
    return medians_ms
