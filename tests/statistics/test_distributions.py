"""Small exact tails and quantiles against scipy."""

from __future__ import annotations

import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from frametime.statistics.distributions import (
    chi_squared_tail,
    normal_quantile,
    normal_two_sided_p,
    student_cdf,
    student_quantile,
)


@given(st.floats(-8.0, 8.0), st.integers(1, 60))
def test_student_distribution(t: float, degrees: int) -> None:
    assert student_cdf(t, degrees) == pytest.approx(scipy.stats.t.cdf(t, degrees), abs=1e-12)


@pytest.mark.parametrize("degrees", [1, 2, 3, 10, 31, 200])
@pytest.mark.parametrize("probability", [0.9, 0.975, 0.9995])
def test_student_quantile(probability: float, degrees: int) -> None:
    expected = scipy.stats.t.ppf(probability, degrees)
    assert student_quantile(probability, degrees) == pytest.approx(expected, rel=1e-9)


def test_many_degrees_are_normal() -> None:
    assert student_quantile(0.975, 5000) == pytest.approx(scipy.stats.t.ppf(0.975, 5000), rel=1e-3)


@given(st.floats(0.001, 0.999))
def test_normal_quantile(probability: float) -> None:
    assert normal_quantile(probability) == pytest.approx(scipy.stats.norm.ppf(probability), abs=1e-9)


@given(st.floats(-30.0, 30.0))
def test_normal_tail(z: float) -> None:
    assert normal_two_sided_p(z) == pytest.approx(2 * scipy.stats.norm.sf(abs(z)), rel=1e-10)


@given(st.floats(0.0, 200.0), st.integers(1, 30))
def test_chi_squared_tail(value: float, half_degrees: int) -> None:
    assert chi_squared_tail(value, half_degrees) == pytest.approx(
        scipy.stats.chi2.sf(value, 2 * half_degrees), rel=1e-9
    )


def test_impossible_arguments_are_mistakes() -> None:
    for call in (
        lambda: normal_quantile(1.0),
        lambda: student_quantile(0.0, 3),
        lambda: student_cdf(1.0, 0),
        lambda: chi_squared_tail(1.0, 0),
    ):
        with pytest.raises(ValueError, match="must"):
            call()
