"""The k-th smallest of any stretch of an array, for many stretches at once."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


class WaveletMatrix:
    """Wavelet matrix over the ranks of an array [1]_.

    Each level holds one bit of every rank, with the ranks stably parted by the bit above. One look at the prefix sums
    of a level halves the range of ranks, for all queries in a few array operations; a query costs ``log2(n)`` of them
    whatever the length of its stretch.

    Parameters
    ----------
    values : ndarray of float64, shape (n,)

    References
    ----------
    .. [1] F. Claude, G. Navarro and A. Ordóñez, "The wavelet matrix: an efficient wavelet tree for large alphabets",
       Information Systems 47, 15-32, 2015 (pages from memory).

    Examples
    --------
    >>> matrix = WaveletMatrix(np.array([5.0, 1.0, 4.0, 2.0]))
    >>> matrix.sorted_values[matrix.kth_ranks(np.array([1]), np.array([0]), np.array([3]))].tolist()
    [4.0]
    """

    def __init__(self, values: NDArray[np.float64]) -> None:
        order = np.argsort(values, kind="stable")
        self.sorted_values = values[order]
        self.ranks = np.empty(values.size, dtype=np.int32)
        self.ranks[order] = np.arange(values.size, dtype=np.int32)
        n_levels = max(1, int(values.size - 1).bit_length())
        self._zeros_before: list[NDArray[np.int32]] = []
        remaining = self.ranks
        for level in reversed(range(n_levels)):
            is_zero = (remaining >> level) & 1 == 0
            zeros_before = np.zeros(values.size + 1, dtype=np.int32)
            np.cumsum(is_zero, out=zeros_before[1:])
            self._zeros_before.append(zeros_before)
            remaining = np.concatenate([remaining[is_zero], remaining[~is_zero]])

    def kth_ranks(self, ks: NDArray[np.int64], first: NDArray[np.int64], last: NDArray[np.int64]) -> NDArray[np.int32]:
        """Rank of the k-th smallest (from 0) of each stretch from ``first`` up to ``last``."""
        k, begin, end = (column.astype(np.int32) for column in (ks, first, last))
        ranks = np.zeros(k.size, dtype=np.int32)
        for zeros_before in self._zeros_before:
            zeros_begin, zeros_end = zeros_before[begin], zeros_before[end]
            n_zeros = zeros_end - zeros_begin
            goes_up = k >= n_zeros
            k -= np.where(goes_up, n_zeros, np.int32(0))
            begin = np.where(goes_up, zeros_before[-1] + begin - zeros_begin, zeros_begin)
            end = np.where(goes_up, zeros_before[-1] + end - zeros_end, zeros_end)
            ranks = 2 * ranks + goes_up
        return ranks

    def medians_without(
        self, positions: NDArray[np.int64], first: NDArray[np.int64], last: NDArray[np.int64]
    ) -> NDArray[np.float64]:
        """Median of each stretch with the value at one position inside it left out."""
        n_others = last - first - 1
        lower = self._kth_without(positions, (n_others - 1) // 2, first, last)
        upper = lower.copy()
        is_even = n_others % 2 == 0
        upper[is_even] = self._kth_without(positions[is_even], n_others[is_even] // 2, first[is_even], last[is_even])
        return 0.5 * (lower + upper)

    def _kth_without(
        self, positions: NDArray[np.int64], ks: NDArray[np.int64], first: NDArray[np.int64], last: NDArray[np.int64]
    ) -> NDArray[np.float64]:
        ranks = self.kth_ranks(ks, first, last)
        # From the value left out upwards, every other value moves down by one place.
        shifted = ranks >= self.ranks[positions]
        ranks[shifted] = self.kth_ranks(ks[shifted] + 1, first[shifted], last[shifted])
        return self.sorted_values[ranks]
