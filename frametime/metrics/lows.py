"""Lows: the rate in the slowest part of a run, by three definitions that are never mixed up."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from math import floor
from typing import Final

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.throughput import exact, quantile
from frametime.units import ms_to_fps

LOW_KINDS: Final = ("percentile", "mean", "time")
"""The three definitions of a low, by their part of the key."""


def low_key(slowest_pct: float, kind: str) -> str:
    """Key of a low in the catalog: ``p`` is the decimal point of the share.

    Examples
    --------
    >>> low_key(1.0, "mean"), low_key(0.1, "time")
    ('low_1pct_mean_fps', 'low_0p1pct_time_fps')
    """
    return f"low_{_plain(slowest_pct).replace('.', 'p')}pct_{kind}_fps"


def share_label(slowest_pct: float) -> str:
    """How a share is written for people.

    Examples
    --------
    >>> share_label(0.1)
    '0.1 %'
    """
    return f"{_plain(slowest_pct)} %"


def percentile_low_fps(
    sorted_frame_times_ms: NDArray[np.float64], *, slowest_pct: float, quantile_type: int = 7
) -> float:
    """Rate that all but the slowest ``slowest_pct`` percent of frames reach.

    The frame time at percentile ``100 - slowest_pct`` is turned into a rate. Frames are counted, not weighted by how
    long they last: compare `time_low_fps` (weighted) and `mean_low_fps` (mean of the slowest).

    Parameters
    ----------
    sorted_frame_times_ms : ndarray of float64, shape (n_frames,)
        In rising order, all > 0.
    slowest_pct : float
        In percent, in the open range (0, 100).
    quantile_type : int
        See `quantile`.

    Returns
    -------
    float
        Frames per second.

    Examples
    --------
    One frame of 50 ms in a hundred moves the percentile little:

    >>> times_ms = np.array([10.0] * 99 + [50.0])
    >>> round(percentile_low_fps(times_ms, slowest_pct=1.0), 2)
    96.15
    """
    share = 1 - _share(slowest_pct)
    return ms_to_fps(quantile(sorted_frame_times_ms, share, quantile_type=quantile_type))


def mean_low_fps(sorted_frame_times_ms: NDArray[np.float64], *, slowest_pct: float) -> float:
    """Rate over the slowest ``slowest_pct`` percent of frames: their count divided by the time they take.

    The frame at the edge is counted in part, so that the low does not jump where the count crosses a whole number. With
    less than one frame in the share, it is the rate of the slowest frame.

    Parameters
    ----------
    sorted_frame_times_ms : ndarray of float64, shape (n_frames,)
        In rising order, all > 0.
    slowest_pct : float
        In percent, in the open range (0, 100).

    Returns
    -------
    float
        Frames per second.

    Examples
    --------
    The slowest 1 % of 150 frames are one frame and a half: 50 ms and half of 30 ms.

    >>> times_ms = np.array([10.0] * 148 + [30.0, 50.0])
    >>> round(mean_low_fps(times_ms, slowest_pct=1.0), 3)
    23.077
    """
    n_frames = int(sorted_frame_times_ms.size)
    n_slowest = _share(slowest_pct) * n_frames
    whole = floor(n_slowest)
    part = float(n_slowest - whole)
    total_ms = float(sorted_frame_times_ms[n_frames - whole :].sum())
    if part:
        total_ms += part * float(sorted_frame_times_ms[n_frames - whole - 1])
    return 1000.0 * float(n_slowest) / total_ms


def time_low_fps(sorted_frame_times_ms: NDArray[np.float64], *, slowest_pct: float, duration_ms: float) -> float:
    """Rate of the frame at which the slowest frames together fill ``slowest_pct`` percent of the time.

    Frames are weighted by how long they last: one long freeze fills the share alone, however many frames the run has.

    Parameters
    ----------
    sorted_frame_times_ms : ndarray of float64, shape (n_frames,)
        In rising order, all > 0.
    slowest_pct : float
        In percent, in the open range (0, 100).
    duration_ms : float
        Sum of the frame times.

    Returns
    -------
    float
        Frames per second.

    Examples
    --------
    One second of frames: the frame of 50 ms fills 5 % of it, so 1 % lies within it.

    >>> times_ms = np.array([10.0] * 95 + [50.0])
    >>> time_low_fps(times_ms, slowest_pct=1.0, duration_ms=1000.0)
    20.0
    >>> time_low_fps(times_ms, slowest_pct=6.0, duration_ms=1000.0)
    100.0
    """
    share = _share(slowest_pct)
    n_frames = int(sorted_frame_times_ms.size)
    # The slowest frames are longer than the mean, so they fill the share of time before they reach it by count.
    n_tail = min(n_frames, floor(share * n_frames) + 1)
    filled_ms = np.cumsum(sorted_frame_times_ms[n_frames - n_tail :][::-1])
    # A sum of float64 may fall short of a share it reaches exactly; a part in 10**12 is far below any clock.
    target_ms = float(share) * duration_ms * (1.0 - 1e-12)
    place = min(int(np.searchsorted(filled_ms, target_ms, side="left")), n_tail - 1)
    return ms_to_fps(float(sorted_frame_times_ms[n_frames - 1 - place]))


def _share(slowest_pct: float) -> Fraction:
    if not 0.0 < slowest_pct < 100.0:
        raise ValueError(f"slowest_pct must lie between 0 and 100, got {slowest_pct!r}")
    return exact(slowest_pct) / 100


def _plain(number: float) -> str:
    text = format(Decimal(repr(float(number))), "f")
    return text.rstrip("0").rstrip(".") if "." in text else text
