"""Distinct values: the same as ``np.unique``."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from frametime.metrics.distinct import distinct


@given(values=st.lists(st.integers(-5, 5), max_size=30))
def test_distinct(values: list[int]) -> None:
    rising = np.sort(np.array(values, dtype=np.int64))
    assert distinct(rising).tolist() == np.unique(rising).tolist()
    assert distinct(0.25 * rising).tolist() == np.unique(0.25 * rising).tolist()
