"""Stutters: frames that are long beside the frames around them, and the absolute classes of hitches and freezes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.local_median import local_medians_ms
from frametime.metrics.options import StutterRule
from frametime.metrics.stutter_candidates import TIE_MS, candidates


@dataclass(frozen=True, kw_only=True, eq=False)
class Stutters:
    """Every stutter of a run, in the order of time; arrays of equal length.

    Attributes
    ----------
    positions : ndarray of int64, shape (n_stutters,)
        Index of the frame in ``frame_times_ms``.
    ends_s : ndarray of float64
        When the frame ended, in s since the start of the first frame.
    frame_times_ms, local_medians_ms : ndarray of float64
        How long the frame was, and the median of the frames around it.
    """

    positions: NDArray[np.int64]
    ends_s: NDArray[np.float64]
    frame_times_ms: NDArray[np.float64]
    local_medians_ms: NDArray[np.float64]

    @property
    def count(self) -> int:
        """How many there are."""
        return int(self.positions.size)

    @property
    def excess_ms(self) -> NDArray[np.float64]:
        """By how much each is longer than the local median."""
        return self.frame_times_ms - self.local_medians_ms


def find_stutters(
    timestamps_ns: NDArray[np.int64], frame_times_ms: NDArray[np.float64], *, rule: StutterRule
) -> Stutters:
    """Frames longer than ``ratio`` times the local median and longer than it by ``min_excess_ms`` or more.

    Parameters
    ----------
    timestamps_ns : ndarray of int64, shape (n_frames + 1,)
    frame_times_ms : ndarray of float64, shape (n_frames,)
    rule : StutterRule
    """
    positions = candidates(timestamps_ns, frame_times_ms, rule=rule)
    medians_ms = local_medians_ms(timestamps_ns, frame_times_ms, positions, window_s=rule.window_s)
    times_ms = frame_times_ms[positions]
    is_stutter = (times_ms > rule.ratio * medians_ms + TIE_MS) & (times_ms - medians_ms >= rule.min_excess_ms - TIE_MS)
    positions = positions[is_stutter]
    return Stutters(
        positions=positions,
        ends_s=(timestamps_ns[positions + 1] - timestamps_ns[0]) / 1e9,
        frame_times_ms=times_ms[is_stutter],
        local_medians_ms=medians_ms[is_stutter],
    )
