"""How well runs repeat: the standard deviation within sets, pooled over sets (ISO 5725-2).

All functions take plain values; a review passes natural logs, so that a standard deviation of 0.01 means 1 %.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

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
