"""Change points of block values."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_regularity import autocorrelated

from frametime.metrics.drift import change_points
from frametime.metrics.drift.change_points import (
    ChangePoint,
    ChangeRule,
    best_split,
    change_test,
    find_change_points,
    pettitt,
    seeded_stretches,
)


def found_in(values: np.ndarray) -> tuple[ChangePoint, ...]:
    return find_change_points(values, ChangeRule())


def test_pettitt_by_hand() -> None:
    # Ranks 1 2 3 4: after two values U = 2 (1 + 2) - 2 * 5 = -4.
    largest, split, p_value = pettitt(np.array([1.0, 2.0, 3.0, 4.0]))
    assert (largest, split) == (4.0, 2)
    assert p_value == pytest.approx(min(1.0, 2 * np.exp(-6 * 16 / (64 + 16))))


def test_one_value_has_no_change() -> None:
    with pytest.raises(ValueError, match="two points or more"):
        pettitt(np.array([1.0]))


@settings(max_examples=50, deadline=None)
@given(st.integers(1, 19), st.floats(0.5, 5.0), st.integers(0, 1000))
def test_the_best_split_as_by_trying_all(place: int, step: float, seed: int) -> None:
    values = np.where(np.arange(20) < place, 10.0, 10.0 + step) + 0.3 * np.random.default_rng(seed).standard_normal(20)
    costs = [np.abs(values[:k] - 10.0).sum() + np.abs(values[k:] - 10.0 - step).sum() for k in range(1, 20)]
    assert costs[best_split(values, 10.0, 10.0 + step) - 1] == pytest.approx(min(costs))


@pytest.mark.parametrize("n", [10, 57, 300])
def test_stretches_lie_inside_and_cover_the_series(n: int) -> None:
    stretches = seeded_stretches(5, 5 + n, 10)
    assert stretches[0] == (5, 5 + n)
    assert len(stretches) <= 31
    assert all(5 <= low < high <= 5 + n and high - low >= 10 for low, high in stretches)


@pytest.mark.parametrize("pattern", [(8.0, 9.0), (8.0, 9.0, 8.0), (8.0, 8.6, 9.4, 8.0), (9.0, 8.0, 9.0, 8.0)])
def test_every_level_of_a_pattern_is_found(pattern: tuple[float, ...]) -> None:
    levels = np.repeat(pattern, 25) + 0.1 * np.random.default_rng(3).standard_normal(25 * len(pattern))
    changes = found_in(levels)
    assert [change.n_before for change in changes] == pytest.approx(list(range(25, 25 * len(pattern), 25)), abs=1)
    assert [change.after for change in changes] == pytest.approx(list(pattern[1:]), abs=0.1)
    assert all(change.p_value < 0.002 for change in changes)


def test_a_staircase_that_follows_a_slope_is_no_change() -> None:
    for seed in range(40):
        scatter = 0.02 + 0.005 * seed
        slope = np.linspace(8.0, 9.0, 120) + scatter * autocorrelated(120, 0.3, np.random.default_rng(seed))
        assert found_in(slope) == (), seed


def test_a_small_step_is_not_told_however_sure() -> None:
    levels = np.repeat([8.0, 8.1], 60) + 0.001 * np.random.default_rng(1).standard_normal(120)
    assert change_test(levels)[1] < 1e-6
    assert found_in(levels) == ()


def test_a_level_that_wanders_is_no_change() -> None:
    claims = 0
    for seed in range(100):
        claims += bool(found_in(8.0 * np.exp(0.03 * autocorrelated(120, 0.7, np.random.default_rng(seed)))))
    assert claims <= 3


def test_a_few_wild_blocks_move_nothing() -> None:
    levels = np.repeat([8.0, 9.0], 40) + 0.1 * np.random.default_rng(2).standard_normal(80)
    levels[[7, 20, 66]] = 40.0
    (change,) = found_in(levels)
    assert change.n_before == pytest.approx(40, abs=1)
    assert (change.before, change.after) == pytest.approx((8.0, 9.0), abs=0.1)


@pytest.mark.parametrize("values", [[8.0], [8.0] * 9, [8.0] * 50, [8.0, 9.0] * 30])
def test_series_without_change(values: list[float]) -> None:
    assert found_in(np.array(values)) == ()


def test_a_step_without_noise() -> None:
    (change,) = found_in(np.repeat([8.0, 9.0], 10))
    assert (change.n_before, change.before, change.after) == (10, 8.0, 9.0)


def test_no_change_is_lost_where_stretches_without_one_are_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    levels = []
    for seed in range(120):
        generator = np.random.default_rng(seed)
        noise = 0.1 * autocorrelated(100, 0.3 * (seed % 3), generator)
        # From no step to one far above the noise, early, in the middle and late, for good or for 15 blocks.
        start = 20 + 20 * (seed % 4)
        step = np.where((np.arange(100) >= start) & (seed % 2 | (np.arange(100) < start + 15)), 0.005 * seed, 0.0)
        levels.append(8.0 + noise + step)
    found = [found_in(each) for each in levels]
    monkeypatch.setattr(change_points, "_may_change", lambda values, stretches, least: np.ones(len(stretches), bool))
    assert found == [found_in(each) for each in levels]
    assert 30 < sum(map(bool, found)) < 90
