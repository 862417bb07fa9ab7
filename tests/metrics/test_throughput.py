"""Average rate and quantiles: laws, ends, wrong use. Published values are in ``tests/reference``."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from frametime.metrics.level import average_fps, exact, plotting_constants, quantile

values_lists = st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=40).map(lambda values: np.sort(np.array(values)))
types = st.integers(1, 9)


@given(values=values_lists, quantile_type=types, probability=st.floats(0.0, 1.0))
def test_a_quantile_lies_between_the_ends(values: np.ndarray, quantile_type: int, probability: float) -> None:
    assert values[0] <= quantile(values, probability, quantile_type=quantile_type) <= values[-1]


@given(values=values_lists, quantile_type=types, low=st.floats(0.0, 1.0), high=st.floats(0.0, 1.0))
def test_a_quantile_rises_with_its_probability(values: np.ndarray, quantile_type: int, low: float, high: float) -> None:
    low, high = sorted((low, high))
    found = [quantile(values, p, quantile_type=quantile_type) for p in (low, high)]
    assert found[0] <= found[1] + 1e-9


@given(values=values_lists, quantile_type=st.integers(4, 9), rank=st.integers(1, 40))
def test_at_its_plotting_position_a_quantile_is_the_value_itself(
    values: np.ndarray, quantile_type: int, rank: int
) -> None:
    rank = min(rank, values.size)
    alpha, beta = (Fraction(constant).limit_denominator(10) for constant in plotting_constants(quantile_type))
    span = values.size + 1 - alpha - beta
    if span > 0:
        assert quantile(values, (rank - alpha) / span, quantile_type=quantile_type) == values[rank - 1]


def test_the_ends_of_the_default_type() -> None:
    values = np.array([3.0, 5.0, 9.0])
    assert (quantile(values, 0.0), quantile(values, 1.0)) == (3.0, 9.0)


def test_numbers_are_taken_as_they_are_written() -> None:
    assert exact(0.1) == Fraction(1, 10)


@pytest.mark.parametrize(
    ("values", "probability", "quantile_type", "what"),
    [
        ([], 0.5, 7, "a value"),
        ([1.0], 1.1, 7, "probability"),
        ([1.0], -0.1, 7, "probability"),
        ([1.0], 0.5, 10, "type"),
    ],
)
def test_wrong_use(values: list[float], probability: float, quantile_type: int, what: str) -> None:
    with pytest.raises(ValueError, match=what):
        quantile(np.array(values), probability, quantile_type=quantile_type)


@pytest.mark.parametrize(("n_frames", "duration_s"), [(0, 1.0), (1, 0.0), (1, float("nan"))])
def test_no_rate_without_frames_or_time(n_frames: int, duration_s: float) -> None:
    with pytest.raises(ValueError, match="must be"):
        average_fps(n_frames, duration_s)
