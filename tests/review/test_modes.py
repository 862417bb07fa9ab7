"""Two levels among runs, and a trend over them, are told; plain scatter is not."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from frametime.metrics.drift.trend import common_trend, kendall_p, trend
from frametime.statistics.repeatability import two_levels


def test_two_levels_are_found_with_their_runs() -> None:
    rng = np.random.default_rng(3)
    values = np.where(np.arange(8) % 2 == 0, 0.0, 0.06) + 0.003 * rng.standard_normal(8)
    found = two_levels(values, floor=0.01)
    assert found is not None
    assert found.lower == (0, 2, 4, 6)
    assert found.gap == pytest.approx(0.06, abs=0.006)


def test_two_levels_are_rarely_found_where_there_is_one() -> None:
    rng = np.random.default_rng(4)
    for n in (4, 5, 8, 12):
        found = sum(two_levels(rng.standard_normal(n)) is not None for _ in range(600))
        # 5 % of 600 is 30; 47 is beyond what chance gives in one of 1000 such counts.
        assert found <= 47, (n, found)
        of_many = sum(two_levels(rng.standard_normal(n), n_tests=50) is not None for _ in range(600))
        # 0.1 % of 600.
        assert of_many <= 4, (n, of_many)


def test_one_run_apart_is_no_level_of_its_own() -> None:
    assert two_levels(np.array([0.0, 0.001, 0.002, 0.001, 0.1])) is None


def test_a_gap_that_cannot_move_a_verdict_is_not_told() -> None:
    values = np.array([0.0, 0.0001, 0.005, 0.0051, 0.00005, 0.00505])
    assert two_levels(values, floor=0.01) is None
    assert two_levels(values) is not None


@given(st.lists(st.integers(-1000, 1000), min_size=3, max_size=12, unique=True))
def test_the_exact_p_value_agrees_with_a_reference_library(values: list[int]) -> None:
    from scipy import stats

    reference = stats.kendalltau(range(len(values)), values, method="exact")
    assert kendall_p(np.array(values, float)) == pytest.approx(reference.pvalue, abs=1e-12)


def test_the_p_value_with_ties_agrees_with_a_reference_library() -> None:
    import pymannkendall

    values = [1.0, 2.0, 2.0, 3.0, 5.0, 4.0, 4.0, 6.0, 7.0, 7.0, 8.0, 6.0]
    reference = pymannkendall.original_test(values)
    assert kendall_p(np.array(values)) == pytest.approx(reference.p, rel=1e-9)


def test_a_steady_fall_is_told_and_scatter_is_not() -> None:
    rng = np.random.default_rng(5)
    falling = -0.01 * np.arange(8) + 0.002 * rng.standard_normal(8)
    found = trend(falling, floor=0.01)
    assert found is not None
    assert found.change == pytest.approx(-0.07, abs=0.01)
    told = sum(trend(rng.standard_normal(8)) is not None for _ in range(1000))
    assert told <= 22, told


def test_three_runs_a_cell_show_a_trend_together() -> None:
    rng = np.random.default_rng(6)
    sets = [0.3 * at - 0.01 * np.arange(3) + 0.004 * rng.standard_normal(3) for at in range(12)]
    assert all(trend(values) is None for values in sets)
    found = common_trend(sets, floor=0.01)
    assert found is not None
    assert found.change < 0.0


def test_three_runs_a_cell_without_a_trend_rarely_show_one() -> None:
    rng = np.random.default_rng(7)
    told = sum(common_trend(list(rng.standard_normal((12, 3)))) is not None for _ in range(1000))
    assert told <= 22, told


def test_the_sum_over_cells_agrees_with_a_reference_library() -> None:
    import pymannkendall

    rng = np.random.default_rng(8)
    table = rng.standard_normal((5, 4)) + 0.9 * np.arange(5)[:, None]
    # The library takes seasons interleaved: season s of year y at y * period + s.
    reference = pymannkendall.seasonal_test(table.ravel(), period=4)
    found = common_trend([table[:, season] for season in range(4)], alpha=1.0)
    assert found is not None
    assert found.score == reference.s
    assert found.p_value == pytest.approx(reference.p, rel=1e-9)
