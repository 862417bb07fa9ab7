"""Holm's step-down adjustment of many p values."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray


def holm_adjusted(p_values: Sequence[float] | NDArray[np.float64]) -> NDArray[np.float64]:
    """Adjusted p values: comparing each with ``alpha`` keeps the chance of any false claim below ``alpha``.

    References
    ----------
    S. Holm, "A simple sequentially rejective multiple test procedure", Scandinavian Journal of Statistics 6,
    65-70, 1979.

    Examples
    --------
    >>> holm_adjusted([0.01, 0.04, 0.03]).tolist()
    [0.03, 0.06, 0.06]
    """
    p = np.asarray(p_values, np.float64)
    if p.size and not (np.all(p >= 0.0) and np.all(p <= 1.0)):
        raise ValueError(f"p values must lie between 0 and 1, got {p.tolist()!r}")
    order = np.argsort(p, kind="stable")
    stepped = np.maximum.accumulate(p[order] * np.arange(p.size, 0, -1))
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(stepped, 1.0)
    return adjusted
