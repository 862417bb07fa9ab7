"""How well runs repeat: the standard deviation within sets, pooled over sets (ISO 5725-2).

All functions take plain values; a review passes natural logs, so that a standard deviation of 0.01 means 1 %.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

REPEATABILITY_FACTOR: Final = 2.8
"""ISO 5725-6:1994, 4.1: two single results differ by less than 2.8 s_r in 95 % of cases (1.96 root 2, rounded)."""

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class PooledSpread:
    """Variance within sets that more than one set tells of, its degrees of freedom, and the number of sets."""

    variance: float
    degrees_of_freedom: float
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
    used = [np.asarray(values, np.float64) for values in sets if len(values) > 1]
    if not used:
        return None
    # Two passes: a one-pass sum of squares loses the digits of nearly equal runs.
    squares = sum(float(np.sum((values - values.mean()) ** 2)) for values in used)
    freedom = sum(values.size - 1 for values in used)
    return PooledSpread(variance=squares / freedom, degrees_of_freedom=freedom, n_sets=len(used))
