"""One run with its resamples: what the intervals of several metrics share."""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import cached_property
from types import MappingProxyType
from typing import TYPE_CHECKING, Final, Literal, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.intervals.block_bootstrap import BlockDraws
from frametime.metrics.metric import Missing
from frametime.statistics.differences import Interval

if TYPE_CHECKING:
    from frametime.metrics.frame_series import FrameSeries

MIN_EVENTS: Final = 3
"""What happened less often gives no interval: most resamples hold it never or twice, and say nothing of the rest."""

SAME: Final = Missing(reason="it is the same however the frames of this run are drawn anew")

ANYTHING: Final = Missing(reason="drawn anew, the frames of this run allow any value")

Scale: TypeAlias = Literal["size", "count", "share", "correlation"]
"""How a number varies: sizes by factors, counts and shares by their square root, correlations as they are."""


_WHOLE_RANGE: Final[Mapping[str, tuple[float, float]]] = MappingProxyType(
    {"share": (0.0, 1.0), "correlation": (-1.0, 1.0)}
)


class Resampled(NamedTuple):
    """A metric in every resample, shape (n_resamples,), and how it varies.

    ``draws`` are given where they are of its own, ``most`` where a count cannot be larger.
    """

    values: NDArray[np.float64]
    scale: Scale = "size"
    draws: BlockDraws | None = None
    most: float = math.inf


Outcome: TypeAlias = Resampled | Interval | Missing
"""Resamples to make an interval from, an interval made otherwise, or why there is none."""


class ResampledRun:
    """One run and its resamples.

    Parameters
    ----------
    series : FrameSeries
    draws : BlockDraws
        Of as many frames.
    """

    def __init__(self, series: FrameSeries, draws: BlockDraws) -> None:
        self.series = series
        self.draws = draws
        self.times_ms = series.frame_times_ms
        self.mean_ms = float(self.times_ms.mean())
        self.deviations_ms = self.times_ms - self.mean_ms
        self.total_ms = draws.sums(self.deviations_ms) + draws.n * self.mean_ms

    @cached_property
    def squares_ms2(self) -> NDArray[np.float64]:
        """Sum of squares of each resample about the mean of the run."""
        return self.draws.sums(self.deviations_ms**2)

    def mean_of(self, items: NDArray[np.float64]) -> NDArray[np.float64]:
        """Mean of items that may be fewer than the frames: the missing ones count as the mean."""
        padded = np.zeros(self.draws.n)
        padded[: items.size] = items - items.mean()
        return self.draws.sums(padded) / self.draws.n + float(items.mean())

    def sums_at(self, positions: NDArray[np.int64], items: NDArray[np.generic] | float = 1.0) -> NDArray[np.float64]:
        """Sum of items that belong to some of the frames, one item a frame."""
        placed = np.zeros(self.draws.n)
        placed[positions] = items
        return self.draws.sums(placed)

    def mean_at(self, positions: NDArray[np.int64], items: NDArray[np.generic]) -> NDArray[np.float64]:
        """Mean of items that belong to some of the frames, over those of them that each resample holds."""
        if positions.size == self.draws.n:
            return self.sums_at(positions, items) / self.draws.n
        return self.sums_at(positions, items) / np.maximum(self.sums_at(positions), 1.0)

    def quantile_at(
        self, positions: NDArray[np.int64], values: NDArray[np.float64], probability: float
    ) -> NDArray[np.float64]:
        """Quantile of values that belong to some of the frames, one value a frame.

        The share of the values up to the quantile is resampled, and each share is turned into a value by the sorted
        values of the run: R. S. Woodruff, "Confidence intervals for medians and other position measures", Journal of
        the American Statistical Association 47, 1952, 635-646 (from memory). No resample is sorted.
        """
        return self.moved_quantile(positions, values, np.sort(values), probability)

    def moved_quantile(
        self,
        positions: NDArray[np.int64],
        values: NDArray[np.float64],
        ordered: NDArray[np.float64],
        probability: float,
    ) -> NDArray[np.float64]:
        """As `quantile_at`, with the values sorted already."""
        below = values <= ordered[int(probability * (ordered.size - 1))]
        moved = self.mean_at(positions, below) - float(below.mean())
        places = np.clip(probability - moved, 0.0, 1.0) * (ordered.size - 1)
        first = places.astype(np.int64)
        second = np.minimum(first + 1, ordered.size - 1)
        return np.asarray(ordered[first] + (places - first) * (ordered[second] - ordered[first]), dtype=np.float64)


def too_few(n_events: int) -> Missing | None:
    """Why events give no interval, or ``None`` when there are enough of them."""
    if n_events >= MIN_EVENTS:
        return None
    told = ("never happened", "happened once", "happened twice")[n_events]
    return Missing(reason=f"it {told} in this run; {MIN_EVENTS} times or more are needed")


def one_sided(flags: NDArray[np.bool_]) -> Missing | None:
    """Why a share gives no interval, or ``None`` when there are enough frames of both kinds."""
    n_true = int(np.count_nonzero(flags))
    n_few = min(n_true, flags.size - n_true)
    if n_few >= MIN_EVENTS:
        return None
    some = "all are alike" if n_few == 0 else f"all but {n_few} are alike"
    return Missing(reason=f"{some} in this run; {MIN_EVENTS} or more of each kind are needed")


def make_interval(value: float, resampled: Resampled, *, level: float, factor: float, method: str) -> Outcome:
    """The interval of a number from its values in the resamples.

    Symmetric about the number on the scale on which it varies, as wide as the longer side of the percentile interval
    times ``factor``: a run that lacks what is rare has too short a longer side already, and the shorter one says even
    less. ``SAME`` when all resamples agree, ``ANYTHING`` where a share or a correlation could have any value.
    """
    scale = resampled.scale
    ends = np.quantile(resampled.values, [0.5 - 0.5 * level, 0.5, 0.5 + 0.5 * level])
    if scale == "size" and not (value > 0.0 and ends[0] > 0.0):
        scale = "count"
    middle, bent = _bent(scale, np.array([value])), _bent(scale, ends)
    reach = factor * float(max(bent[1] - bent[0], bent[2] - bent[1]))
    if not (math.isfinite(reach) and reach > 1e-12 * max(1.0, abs(float(middle[0])))):
        return SAME
    low, high = (_straight(scale, float(middle[0]) + side * reach) for side in (-1.0, 1.0))
    high = min(high, float(resampled.most))
    if not low < high:
        return SAME
    if (low, high) == _WHOLE_RANGE.get(scale):
        return ANYTHING
    return Interval(low=min(low, value), high=max(high, value), level=level, method=method)


def _bent(scale: Scale, values: NDArray[np.float64]) -> NDArray[np.float64]:
    if scale == "size":
        return np.log(values)
    return np.sqrt(np.maximum(values, 0.0)) if scale in ("count", "share") else values


def _straight(scale: Scale, value: float) -> float:
    if scale == "size":
        return math.exp(value)
    if scale == "correlation":
        return min(max(value, -1.0), 1.0)
    square = max(value, 0.0) ** 2
    return min(square, 1.0) if scale == "share" else square


def merged(*outcomes: Mapping[str, Outcome]) -> dict[str, Outcome]:
    """All outcomes in one mapping; a key must not come twice."""
    found: dict[str, Outcome] = {}
    for part in outcomes:
        if twice := found.keys() & part.keys():
            raise ValueError(f"metrics must be resampled once, got twice: {sorted(twice)!r}")
        found |= part
    return found
