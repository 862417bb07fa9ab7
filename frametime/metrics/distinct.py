"""Distinct values of a rising array."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Number = TypeVar("Number", np.int64, np.float64)


def distinct(rising: NDArray[Number]) -> NDArray[Number]:
    """Each value of an array in rising order once.

    ``np.unique`` gives the same, but sorts first and imports ``numpy.ma``, which costs a quick check more.

    Examples
    --------
    >>> distinct(np.array([1, 1, 4, 7, 7])).tolist()
    [1, 4, 7]
    """
    is_new = np.ones(rising.size, dtype=np.bool_)
    np.not_equal(rising[1:], rising[:-1], out=is_new[1:])
    return np.asarray(rising[is_new], dtype=rising.dtype)
