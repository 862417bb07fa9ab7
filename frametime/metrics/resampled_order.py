"""Order statistics of resamples from how often each frame near them is drawn: no resample is sorted."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.block_draws import BlockDraws

_EXACT_FRAMES = 8192
_CHUNK_CELLS = 1 << 16
"""Counts made at once: small enough to stay in the cache."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Window:
    """Frames around an order statistic.

    Attributes
    ----------
    values : ndarray of float64, shape (m,)
        Their values in falling order.
    positions : ndarray of int64, shape (m,)
        Where they stand in the run.
    weights : ndarray of float64, shape (m,), or None
        For how many frames each stands; ``None`` when each stands for itself.
    above : ndarray of float64, shape (n_resamples,)
        Frames of each resample that are larger than all of the window.
    """

    values: NDArray[np.float64]
    positions: NDArray[np.int64]
    weights: NDArray[np.float64] | None
    above: NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class Counts:
    """How often each frame of a window stands in some resamples.

    Attributes
    ----------
    rows : slice
        The resamples.
    drawn : ndarray of float64, shape (n_rows, m)
        In the order of the window.
    cumulated : ndarray of float64, shape (n_rows * m,)
        Running sum over all rows, one after the other.
    bases : ndarray of float64, shape (n_rows,)
        The running sum before each row, less the frames above the window.
    """

    rows: slice
    drawn: NDArray[np.float64]
    cumulated: NDArray[np.float64]
    bases: NDArray[np.float64]

    def places(self, n_frames: float) -> NDArray[np.int64]:
        """Place in the window at which each resample holds ``n_frames`` frames so large or larger; m when it does not.

        One search for each resample: a running sum over all rows is sorted as a whole.
        """
        return searched(self.cumulated, self.bases + (n_frames - 1e-6), self.drawn.shape)


def searched(running: NDArray[np.float64], targets: NDArray[np.float64], shape: tuple[int, ...]) -> NDArray[np.int64]:
    """Where each row of a running sum over all rows reaches its target, from 0 to the number of columns."""
    n_rows, m = shape
    found = np.searchsorted(running, targets, side="left") - np.arange(n_rows) * m
    return np.asarray(np.minimum(np.maximum(found, 0), m), dtype=np.int64)


def make_window(
    values: NDArray[np.float64], order: NDArray[np.int64], first: int, last: int, draws: BlockDraws
) -> Window:
    """The frames ``order[first:last]``, where ``order`` sorts ``values`` in falling order.

    A wide window keeps its largest frames, one by one, and of the others evenly chosen ones in the order of time:
    a window is wide only where slow and fast stretches are long, and then neighbors say the same.
    """
    chosen = order[first:last]
    weights = None
    if chosen.size > 2 * _EXACT_FRAMES:
        exact, rest = chosen[:_EXACT_FRAMES], np.sort(chosen[_EXACT_FRAMES:])
        kept = rest[np.linspace(0, rest.size - 1, _EXACT_FRAMES).astype(np.int64)]
        chosen = np.concatenate((exact, kept))
        weights = np.concatenate((np.ones(exact.size), np.full(kept.size, rest.size / kept.size)))
        falling = np.argsort(-values[chosen], kind="stable")
        chosen, weights = chosen[falling], weights[falling]
    above = np.zeros(draws.n_resamples)
    if first:
        flags = np.zeros(values.size)
        flags[order[:first]] = 1.0
        above = draws.sums(flags)
    return Window(values=values[chosen], positions=chosen, weights=weights, above=above)


def counts_of(window: Window, draws: BlockDraws) -> Iterator[Counts]:
    """How often the frames of a window are drawn, some resamples at a time.

    A frame is drawn as often as blocks have started at or before it and not yet ended. Blocks are counted by the
    number of window frames before their ends, so that the work is proportional to the window, not to the run.
    """
    n, m = draws.n, window.positions.size
    in_time = np.argsort(window.positions, kind="stable")
    marks = np.zeros(n, dtype=np.int64)
    marks[window.positions] = 1
    before = np.concatenate(([0], np.cumsum(marks)))
    place = np.empty(m, dtype=np.int64)
    place[in_time] = np.arange(m)
    wraps = draws.ends > n
    first_marks = before.take(draws.starts)
    last_marks = before.take(np.where(wraps, draws.ends - n, draws.ends))
    step = max(_CHUNK_CELLS // (m + 1), 1)
    for low in range(0, draws.n_resamples, step):
        rows = slice(low, min(low + step, draws.n_resamples))
        n_rows = rows.stop - rows.start
        blocks = draws.blocks_of(rows)
        base = (draws.rows[blocks] - rows.start) * (m + 1)
        changes = np.bincount(base + first_marks[blocks], minlength=n_rows * (m + 1))
        changes -= np.bincount(base + last_marks[blocks], minlength=n_rows * (m + 1))
        by_row = changes.reshape(n_rows, m + 1)
        # A block that runs over the end of the ring goes on at its start.
        n_wraps = np.add.reduceat(wraps[blocks], draws.firsts[rows] - blocks.start, dtype=np.int64)
        by_row[:, 0] += n_wraps
        by_row[:, m] -= n_wraps
        # Each row sums to 0, so one running sum serves all rows.
        np.cumsum(changes, out=changes)
        whole = by_row.take(place, axis=1)
        if window.weights is None:
            # A running sum of whole numbers is several times faster than one of floating-point numbers.
            drawn, cumulated = whole.astype(np.float64), np.cumsum(whole).astype(np.float64)
        else:
            drawn = whole * window.weights
            cumulated = np.cumsum(drawn)
        ends = cumulated[m - 1 :: m]
        bases = np.concatenate(([0.0], ends[:-1])) - window.above[rows]
        yield Counts(rows=rows, drawn=drawn, cumulated=cumulated, bases=bases)


def value_at_rank(window: Window, counts: Counts, rank: float) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Value at a rank counted from the largest, interpolated between two; and whether it lies in the window."""
    whole, part = int(rank), rank - int(rank)
    m = window.values.size
    first = counts.places(float(whole))
    second = counts.places(float(whole + 1)) if part > 0.0 else first
    inside = (window.above[counts.rows] < whole) & (second < m)
    high, low = window.values[np.minimum(first, m - 1)], window.values[np.minimum(second, m - 1)]
    return high + part * (low - high), inside


def quantile_resamples(
    values: NDArray[np.float64], order: NDArray[np.int64], probability: float, draws: BlockDraws
) -> NDArray[np.float64]:
    """The quantile of each resample (type 7 of Hyndman and Fan), shape (n_resamples,).

    Parameters
    ----------
    values : ndarray of float64, shape (n,)
    order : ndarray of int64, shape (n,)
        Sorts ``values`` in falling order.
    """
    n = values.size
    rank = (1.0 - probability) * (n - 1) + 1.0
    middle = min(max(round(rank), 1), n)
    flags = np.zeros(n)
    flags[order[:middle]] = 1.0
    # The count above the run's own quantile says about how far that of each resample lies from it.
    reach = 1.15 * float(np.max(np.abs(draws.sums(flags) - middle))) + 16.0
    while True:
        first, last = max(int(middle - reach), 0), min(int(middle + reach) + 1, n)
        window = make_window(values, order, first, last, draws)
        result = np.empty(draws.n_resamples)
        is_inside = True
        for counts in counts_of(window, draws):
            result[counts.rows], inside = value_at_rank(window, counts, rank)
            is_inside = is_inside and bool(inside.all())
        if is_inside or last - first == n:
            return result
        reach *= 2.0
