"""A drift that all runs of a session share, told from the times of the runs, and what taking it out costs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


class Drift(NamedTuple):
    """Change of the logs an hour, the variance of that estimate, and its degrees of freedom."""

    per_hour: float
    variance: float
    degrees_of_freedom: int


def common_drift(sets: Sequence[tuple[FloatArray, FloatArray]]) -> Drift | None:
    """The straight drift that runs under equal conditions have in common, by least squares within the sets.

    Each set keeps a level of its own, so that cards and cells do not pass for drift (analysis of covariance: R. A.
    Fisher, Statistical Methods for Research Workers, 4th edition, 1932; from memory). Sets whose runs were made at
    one time tell nothing of it.

    Parameters
    ----------
    sets : sequence of pairs of ndarray of float64, each of shape (n_runs,)
        Times in hours, and logs of a metric.

    Returns
    -------
    Drift or None
        ``None`` where no set was made at two times, or no degree of freedom is left.

    Examples
    --------
    >>> sets = [(np.array([0.0, 2.0, 4.0]), np.array([0.0, 0.03, 0.04])), (np.array([1.0, 3.0]), np.array([1.0, 1.02]))]
    >>> found = common_drift(sets)
    >>> round(found.per_hour, 4), found.degrees_of_freedom
    (0.01, 2)
    """
    used = [(times - times.mean(), logs - logs.mean()) for times, logs in sets if len(times) > 1]
    spread = sum(float(times @ times) for times, _ in used)
    freedom = sum(len(times) - 1 for times, _ in used) - 1
    if not spread > 0.0 or freedom < 1:
        return None
    slope = sum(float(times @ logs) for times, logs in used) / spread
    left = sum(float(np.sum((logs - slope * times) ** 2)) for times, logs in used)
    return Drift(per_hour=slope, variance=left / freedom / spread, degrees_of_freedom=freedom)
