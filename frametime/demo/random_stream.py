"""Random numbers that stay the same with every version of numpy.

Only the raw output of the bit generator and of its seeding is promised to stay; distributions are not. So the few
that are needed are made here from raw 64-bit words. What differs in the last bit of a logarithm or cosine between
machines vanishes when frame times are rounded to whole microseconds.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray


class RandomStream:
    """A stream of uniform, normal and exponential numbers.

    Parameters
    ----------
    seed : sequence of int
        All of them together choose the stream.

    Examples
    --------
    >>> RandomStream([1, 2]).uniform(2).tolist() == RandomStream([1, 2]).uniform(2).tolist()
    True
    """

    def __init__(self, seed: Sequence[int]) -> None:
        self._words = np.random.PCG64(np.random.SeedSequence(list(seed)))

    def uniform(self, size: int) -> NDArray[np.float64]:
        """Numbers in (0, 1], shape (size,)."""
        words = np.asarray(self._words.random_raw(size), dtype=np.uint64)
        return ((words >> np.uint64(11)).astype(np.float64) + 1.0) / 2.0**53

    def normal(self, size: int) -> NDArray[np.float64]:
        """Standard normal numbers by the transform of Box and Muller, shape (size,)."""
        return np.sqrt(-2.0 * np.log(self.uniform(size))) * np.cos(2.0 * np.pi * self.uniform(size))

    def exponential(self, size: int) -> NDArray[np.float64]:
        """Exponential numbers with mean 1, shape (size,)."""
        return -np.log(self.uniform(size))

    def following(self, size: int, *, memory: float) -> NDArray[np.float64]:
        """Standard normal numbers, each correlated with the one before by ``memory`` (0 to 1), shape (size,)."""
        fresh = (1.0 - memory**2) ** 0.5
        value = float(self.normal(1)[0])
        values = []
        for innovation in self.normal(size).tolist():
            value = memory * value + fresh * innovation
            values.append(value)
        return np.asarray(values, dtype=np.float64)
