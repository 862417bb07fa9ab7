"""Hitches: frames that stand out of the frames around them, whether or not they are long enough for a stutter."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.findings import Hitch
from frametime.metrics.frame_series import FrameSeries, once_a_series


class HitchRule(NamedTuple):
    """When a frame stands out. Common practice, no source, except for the spread.

    Attributes
    ----------
    least_share : float
        It is longer than the local median by this share of it.
    scatters : float
        And by so many standard deviations of the frames around it, from their median absolute deviation (Rousseeuw
        and Croux, Journal of the American Statistical Association 88, 1993).
    block_frames : int
        What is around it: its block of so many frames, the one before and the one after. The largest of the three
        medians and of the three spreads counts, so that a step of the level is no hitch.
    gap_frames : int
        Frames that stand out with fewer than so many between them are one hitch.
    max_listed : int
        Of more hitches the largest are told.
    """

    least_share: float = 0.25
    scatters: float = 5.0
    block_frames: int = 32
    gap_frames: int = 2
    max_listed: int = 1000


RULE: Final = HitchRule()

_TO_SD: Final = 1.4826


class Hitches(NamedTuple):
    """The hitches of one run, in the order of time, and the run's size.

    ``positions`` and ``starts_s`` (since the start of the run) are those of the first frame of each: what stops the
    game sits there, and how long it lasts differs from one to the next. ``longest_ms`` is its longest frame,
    ``excess_ms`` by how much that is longer than the frames around it.
    """

    positions: NDArray[np.int64]
    starts_s: NDArray[np.float64]
    longest_ms: NDArray[np.float64]
    excess_ms: NDArray[np.float64]
    n_frames: int
    run_s: float

    def chosen(self, which: NDArray[np.bool_] | NDArray[np.int64]) -> Hitches:
        """Some of the hitches of the same run."""
        return self._replace(
            positions=self.positions[which],
            starts_s=self.starts_s[which],
            longest_ms=self.longest_ms[which],
            excess_ms=self.excess_ms[which],
        )

    def first(self, most: int) -> Hitches:
        """The run up to its hitch of this number, whole where it has fewer."""
        if self.positions.size <= most:
            return self
        part = self.chosen(np.arange(most))
        return part._replace(n_frames=int(self.positions[most]), run_s=float(self.starts_s[most]))


@once_a_series
def hitches_of(series: FrameSeries) -> Hitches:
    """The hitches of a run by the usual RULE."""
    return find_hitches(series.frame_times_ms, series.ends_s)


def listed(hitches: Hitches) -> tuple[Hitch, ...]:
    """The hitches as plain values, in the order of time; of very many the largest."""
    largest = np.sort(np.argsort(-hitches.excess_ms, kind="stable")[: RULE.max_listed])
    some = hitches.chosen(largest)
    columns = (some.positions, some.starts_s, some.longest_ms, some.excess_ms)
    return tuple(Hitch(*values) for values in zip(*(column.tolist() for column in columns), strict=True))


def hitches_listed(hitches: Sequence[Hitch], *, n_frames: int, run_s: float) -> Hitches:
    """Hitches from their plain values: the other way round from `listed`."""
    positions, starts_s, longest_ms, excess_ms = np.array(hitches, dtype=np.float64).reshape(-1, 4).T
    return Hitches(positions.astype(np.int64), starts_s, longest_ms, excess_ms, n_frames, run_s)


def find_hitches(frame_times_ms: NDArray[np.float64], ends_s: NDArray[np.float64]) -> Hitches:
    """The frames that stand out, neighbors joined; none in a run of fewer frames than three blocks.

    Parameters
    ----------
    frame_times_ms, ends_s : ndarray of float64, shape (n_frames,)

    Examples
    --------
    >>> times_ms = np.full(960, 10.0)
    >>> times_ms[[200, 500, 501]] = 18.0
    >>> found = find_hitches(times_ms, np.cumsum(times_ms) / 1000.0)
    >>> found.positions.tolist(), found.excess_ms.tolist()
    ([200, 500], [8.0, 8.0])
    """
    positions, excess_ms = _standing_out(frame_times_ms)
    begins = np.flatnonzero(np.diff(positions, prepend=-frame_times_ms.size) > RULE.gap_frames)
    first, longest_ms = positions[begins], frame_times_ms[positions]
    if begins.size:
        longest_ms, excess_ms = (np.maximum.reduceat(each, begins) for each in (longest_ms, excess_ms))
    starts_s = ends_s[first] - frame_times_ms[first] / 1000.0
    return Hitches(first, starts_s, longest_ms, excess_ms, frame_times_ms.size, float(ends_s[-1]))


def _standing_out(frame_times_ms: NDArray[np.float64]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Every frame that stands out, and by how much; the last frames, too few for a block, belong to the last one."""
    size = RULE.block_frames
    n_blocks = frame_times_ms.size // size
    if n_blocks < 3:
        return np.zeros(0, dtype=np.int64), np.zeros(0)
    blocks = frame_times_ms[: n_blocks * size].reshape(n_blocks, size)
    medians = _row_medians(blocks)
    levels = _largest_around(medians)
    highest = blocks.max(axis=1)
    highest[-1] = frame_times_ms[(n_blocks - 1) * size :].max()
    # Most blocks have no frame that is long enough: their spread need not be known.
    places = np.flatnonzero(highest >= (1.0 + RULE.least_share) * levels)
    # Not np.unique, which imports masked arrays: they take a fortieth of a quick check.
    is_near = np.zeros(n_blocks + 2, dtype=np.bool_)
    for step in (0, 1, 2):
        is_near[places + step] = True
    near = np.flatnonzero(is_near[1:-1])
    spreads = np.zeros(n_blocks)
    spreads[near] = _TO_SD * _row_medians(np.abs(blocks[near] - medians[near, None]))
    limits = np.maximum(RULE.least_share * levels, RULE.scatters * _largest_around(spreads))
    frames = (places[:, None] * size + np.arange(size)).ravel()
    if places.size and places[-1] == n_blocks - 1:
        frames = np.concatenate((frames, np.arange(n_blocks * size, frame_times_ms.size)))
    own = np.minimum(frames // size, n_blocks - 1)
    above_ms = frame_times_ms[frames] - levels[own]
    out = above_ms >= limits[own]
    return frames[out], above_ms[out]


def _row_medians(rows: NDArray[np.float64]) -> NDArray[np.float64]:
    """Upper median of each row."""
    middle = rows.shape[1] // 2
    return np.asarray(np.partition(rows, middle, axis=1)[:, middle], dtype=np.float64)


def _largest_around(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """The largest of each value, the one before and the one after."""
    largest = values.copy()
    np.maximum(largest[1:], values[:-1], out=largest[1:])
    np.maximum(largest[:-1], values[1:], out=largest[:-1])
    return largest
