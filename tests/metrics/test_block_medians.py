"""Medians: the same numbers as ``np.median``."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from frametime.metrics.block_medians import median, median_in_place, medians_between

values_lists = st.lists(st.floats(0.0, 1e9), min_size=1, max_size=40)


@given(values=values_lists)
def test_median(values: list[float]) -> None:
    array = np.array(values)
    assert median(array) == float(np.median(values))
    assert array.tolist() == values
    assert median_in_place(array) == float(np.median(values))


@given(stretches=st.lists(values_lists, min_size=1, max_size=12), n_before=st.integers(0, 3))
def test_medians_of_short_stretches(stretches: list[list[float]], n_before: int) -> None:
    edges = n_before + np.cumsum([0, *(len(stretch) for stretch in stretches)])
    values = np.array([*([7.0] * n_before), *(value for stretch in stretches for value in stretch)])
    assert medians_between(values, edges).tolist() == [float(np.median(stretch)) for stretch in stretches]


def test_medians_of_long_stretches() -> None:
    values = np.random.default_rng(2).gamma(2.0, 1.0, 5000)
    edges = np.array([0, 1, 2001, 4000, 5000])
    expected = [float(np.median(values[low:high])) for low, high in pairwise(edges.tolist())]
    assert medians_between(values, edges).tolist() == expected


@pytest.mark.parametrize("kind", [np.int32, np.int64])
@pytest.mark.parametrize("length", [40, 900])
def test_medians_of_whole_numbers_are_told_in_their_unit(kind: type, length: int) -> None:
    whole = np.random.default_rng(3).integers(1, 10**8, 10 * length + 1).astype(kind)
    edges = np.arange(0, whole.size, length)
    in_ms = medians_between(whole, edges, unit=1e6)
    assert in_ms.tolist() == medians_between(whole / 1e6, edges).tolist()
    assert in_ms == pytest.approx([np.median(whole[low:high]) / 1e6 for low, high in pairwise(edges.tolist())])
