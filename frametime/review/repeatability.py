"""How well runs repeat: pooled standard deviation (ISO 5725-2), and runs that stand out.

All functions take plain values; a review passes natural logs, so that a standard deviation of 0.01 means 1 %.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.statistics.quantiles import t_quantile

REPEATABILITY_FACTOR: Final = 2.8
"""ISO 5725-6:1994, 4.1: two single results differ by less than 2.8 s_r in 95 % of cases (1.96 root 2, rounded)."""

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class PooledSpread:
    """Within-set variance pooled over sets, and its degrees of freedom."""

    variance: float
    degrees_of_freedom: int
    n_sets: int

    @property
    def standard_deviation(self) -> float:
        """Repeatability standard deviation s_r."""
        return math.sqrt(self.variance)


@dataclass(frozen=True, kw_only=True)
class StandsOut:
    """A run that lies too far from the rest of its set.

    ``distance`` is run minus mean of the rest, ``limit`` how far it may lie either way, ``degrees_of_freedom``
    those of the spread that the limit rests on.
    """

    position: int
    distance: float
    limit: float
    degrees_of_freedom: int


def pooled_spread(sets: Sequence[FloatArray]) -> PooledSpread | None:
    """Pool the within-set variance: sum of squares about each set's own mean over ``sum(n - 1)``.

    Parameters
    ----------
    sets : sequence of ndarray of float64, each of shape (n_runs,)
        Sets of one run carry no information and are passed over.

    Returns
    -------
    PooledSpread or None
        ``None`` when no set has two runs.

    References
    ----------
    ISO 5725-2:1994, 7.4.5.1.

    Examples
    --------
    >>> pooled_spread([np.array([1.0, 3.0]), np.array([4.0, 6.0, 8.0])])
    PooledSpread(variance=3.3333333333333335, degrees_of_freedom=3, n_sets=2)
    """
    return pooled([set_scatter(values) for values in sets])


class SetScatter(NamedTuple):
    """Squares of a set about its own mean, and their degrees of freedom."""

    squares: float
    degrees_of_freedom: int


def set_scatter(values: FloatArray) -> SetScatter:
    """Scatter of one set, shape (n_runs,); nothing for a set of one run."""
    # Two passes: a one-pass sum of squares loses the digits of nearly equal runs.
    return SetScatter(float(np.sum((values - np.mean(values)) ** 2)) if len(values) else 0.0, max(len(values) - 1, 0))


def pooled(scatters: Sequence[SetScatter]) -> PooledSpread | None:
    """`pooled_spread` of sets whose scatter is known."""
    used = [scatter for scatter in scatters if scatter.degrees_of_freedom]
    if not used:
        return None
    df = sum(scatter.degrees_of_freedom for scatter in used)
    return PooledSpread(variance=sum(scatter.squares for scatter in used) / df, degrees_of_freedom=df, n_sets=len(used))


def run_that_stands_out(
    values: FloatArray, *, others: PooledSpread | None, n_tests: int, alpha: float = 0.05, floor: float = 0.0
) -> StandsOut | None:
    """Find the run of a set that lies too far from the rest, if the rest agree among themselves.

    The run farthest from the mean of the rest is compared with the exact studentized limit
    ``t * s * sqrt(n / (n - 1))``: ``s`` is pooled over the rest of the set and ``others`` (the card's other
    sets), so it does not hold the run itself; ``t`` is the two-sided quantile at ``alpha / n_tests``. This limit is
    used rather than 2.8 s_r because a run's distance from the mean of its rest is not the difference of two
    single runs, and because in a matrix of 100 runs 2.8 s_r would flag two good ones.

    Parameters
    ----------
    values : ndarray of float64, shape (n_runs,)
        Three or more; with two, nobody can say which of them is off.
    others : PooledSpread or None
    n_tests : int
        Runs that are looked at in the whole matrix (Bonferroni).
    floor : float
        A run nearer than this is never named: it cannot move a verdict.

    Returns
    -------
    StandsOut or None
        Also ``None`` when the remaining runs do not agree either: then the set scatters, and no single run is
        to blame (Cochran's test names the set).
    """
    values = np.asarray(values, np.float64)
    n = values.size
    if n < 3:
        return None
    distances = (values - values.mean()) * n / (n - 1)
    at = int(np.abs(distances).argmax())
    rest = np.delete(values, at)
    found = _beyond(float(distances[at]), rest, others, n_tests=n_tests, alpha=alpha, floor=floor, at=at)
    if found is None or rest.size < 2:
        return None
    rest_distances = (rest - rest.mean()) * rest.size / (rest.size - 1)
    farthest = int(np.abs(rest_distances).argmax())
    without = np.delete(rest, farthest)
    if others is not None and _beyond(
        float(rest_distances[farthest]), without, others, n_tests=n_tests, alpha=alpha, floor=floor, at=farthest
    ):
        return None
    return found


def _beyond(
    distance: float,
    rest: FloatArray,
    others: PooledSpread | None,
    *,
    n_tests: int,
    alpha: float,
    floor: float,
    at: int,
) -> StandsOut | None:
    own = float(np.sum((rest - rest.mean()) ** 2))
    df = rest.size - 1
    if others is not None:
        own += others.variance * others.degrees_of_freedom
        df += others.degrees_of_freedom
    if df < 1:
        return None
    scale = math.sqrt(own / df * (rest.size + 1) / rest.size)
    limit = max(floor, t_quantile(1.0 - alpha / (2.0 * max(n_tests, 1)), df) * scale)
    if abs(distance) <= limit:
        return None
    return StandsOut(position=at, distance=distance, limit=limit, degrees_of_freedom=df)
