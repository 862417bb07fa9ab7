"""Regular patterns in a run: alternating frames, recurring hitches, lines of the spectrum."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.block_medians import median
from frametime.metrics.findings import Rhythm
from frametime.metrics.frame_series import FrameSeries, once_a_series
from frametime.metrics.rhythm.hitches import hitches_of, listed
from frametime.metrics.rhythm.periodicity import find_hitch_period
from frametime.metrics.rhythm.spectrum import lines_of, no_rhythm_reason, spectrum_of


class AlternationRule(NamedTuple):
    """When frames are said to alternate. Common practice, no source.

    Attributes
    ----------
    min_step_fraction : float
        Each frame must differ from the one before by this share of their mean.
    min_frames : int
        So many frames in a row must be alternately longer and shorter. Independent frames do that 24 times in a row
        once in about 50 000 frames (the chance falls by 2 / pi with each frame: D. André, Comptes rendus 88, 1879,
        alternating permutations), and only where they scatter by more than the step asked for.
    """

    min_step_fraction: float = 0.05
    min_frames: int = 24


RULE: Final = AlternationRule()

_PIECE = 1 << 14


@once_a_series
def rhythm_of(series: FrameSeries) -> Rhythm:
    """Alternation, period of the hitches, and strongest lines of a run.

    ``hitch_period_reason`` says why there is no period; it is ``None`` when there is one.
    """
    fraction, size_ms = alternation(series.frame_times_ms)
    unlooked = reason = no_rhythm_reason(series.frame_times_ms, series.ends_s)
    period = None
    if reason is None:
        period, reason = find_hitch_period([hitches_of(series)])
    return Rhythm(
        alternating_fraction=fraction,
        alternation_ms=size_ms,
        hitch_period=period,
        hitch_period_reason=reason,
        lines=lines_of(spectrum_of(series)),
        hitches=listed(hitches_of(series)),
        unlooked_reason=unlooked,
    )


def alternating_runs(frame_times_ms: NDArray[np.float64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First and last frame of each run of alternating frames."""
    if frame_times_ms.size < 3:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    turns = _turns(frame_times_ms, RULE.min_step_fraction)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], turns, [False])).astype(np.int8)))
    # A run of k turns joins k + 1 steps, so k + 2 frames.
    first, last = edges[::2], edges[1::2] + 1
    kept = last - first + 1 >= RULE.min_frames
    return first[kept], last[kept]


def inside_runs(first: NDArray[np.int64], last: NDArray[np.int64], n: int) -> NDArray[np.bool_]:
    """Which of ``n`` places lie in the runs from ``first`` to ``last``, both ends included."""
    marks = np.zeros(n + 1, dtype=np.int64)
    np.add.at(marks, first, 1)
    np.add.at(marks, last + 1, -1)
    return np.asarray(np.cumsum(marks)[:-1] > 0)


def alternation(frame_times_ms: NDArray[np.float64]) -> tuple[float, float | None]:
    """Share of the frames that alternate between short and long, and by how much.

    Parameters
    ----------
    frame_times_ms : ndarray of float64, shape (n_frames,)

    Returns
    -------
    fraction : float
        Of all frames.
    size_ms : float or None
        Median absolute step from frame to frame there; ``None`` when no frames alternate.

    Examples
    --------
    >>> alternation(np.array([8.0, 10.0] * 50))
    (1.0, 2.0)
    >>> alternation(np.full(100, 9.0))
    (0.0, None)
    """
    first, last = alternating_runs(frame_times_ms)
    n_alternating = int(np.sum(last - first + 1))
    if n_alternating == 0:
        return 0.0, None
    # The steps between the frames of a run: one fewer than its frames.
    inside = inside_runs(first, last - 1, frame_times_ms.size - 1)
    return min(1.0, n_alternating / frame_times_ms.size), median(np.abs(np.diff(frame_times_ms)[inside]))


def _turns(frame_times_ms: NDArray[np.float64], min_step_fraction: float) -> NDArray[np.bool_]:
    """Whether a large step up is followed by a large step down, or the other way round, shape (n_frames - 2,).

    A piece at a time, so small that it stays in the processor's cache.
    """
    n_turns = frame_times_ms.size - 2
    turns = np.empty(n_turns, dtype=np.bool_)
    for low in range(0, n_turns, _PIECE):
        piece = frame_times_ms[low : low + _PIECE + 2]
        steps_ms = np.diff(piece)
        large = np.abs(steps_ms) >= 0.5 * min_step_fraction * (piece[1:] + piece[:-1])
        turns[low : low + _PIECE] = large[1:] & large[:-1] & ((steps_ms[1:] > 0.0) != (steps_ms[:-1] > 0.0))
    return turns
