"""A straight line (or plane) through runs, and what it says about the difference of two places on it."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from frametime.statistics.distributions import t_quantile


def linear_contrast(
    rows: Sequence[Sequence[float]], values: Sequence[float], contrast: Sequence[float], *, level: float = 0.95
) -> tuple[float, tuple[float, float]] | None:
    """Estimate of ``contrast . b`` in the model ``value = a + rows . b``, by ordinary least squares, with t interval.

    Parameters
    ----------
    rows : sequence of sequences, n rows of k numbers
        The places; columns that are the same everywhere must be left out.
    values : sequence of n numbers
    contrast : sequence of k numbers
        The difference of two places.
    level : float

    Returns
    -------
    tuple or None
        Estimate and interval; ``None`` where the places do not tell the coefficients apart or no degree of freedom
        is left.

    References
    ----------
    Any textbook of linear models; for example N. R. Draper and H. Smith, Applied Regression Analysis (from memory).

    Examples
    --------
    >>> estimate, interval = linear_contrast([[0], [1], [2], [3]], [0.1, 0.9, 2.1, 2.9], [2.0])
    >>> round(estimate, 3), tuple(round(bound, 3) for bound in interval)
    (1.92, (1.433, 2.407))
    """
    design = np.column_stack([np.ones(len(values)), np.asarray(rows, dtype=np.float64)])
    observed = np.asarray(values, dtype=np.float64)
    freedom = observed.size - design.shape[1]
    # Offsets in MHz beside a column of ones: scaled, so that the rank does not hang on the unit.
    scale = np.maximum(np.abs(design).max(axis=0), 1e-300)
    scaled = design / scale
    if freedom < 1 or np.linalg.matrix_rank(scaled) < design.shape[1]:
        return None
    inverse = np.linalg.inv(scaled.T @ scaled)
    coefficients = inverse @ scaled.T @ observed
    variance = float(np.sum((observed - scaled @ coefficients) ** 2)) / freedom
    weights = np.concatenate(([0.0], np.asarray(contrast, dtype=np.float64))) / scale
    estimate = float(weights @ coefficients)
    half = t_quantile(0.5 + level / 2.0, freedom) * math.sqrt(variance * float(weights @ inverse @ weights))
    return estimate, (estimate - half, estimate + half)
