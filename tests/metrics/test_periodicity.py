"""Whether hitches recur."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from frametime.metrics.rhythm.period_search import best_period, chance_of, concentration
from frametime.metrics.rhythm.periodicity import find_hitch_period, pooled_hitch_period


def test_exact_times_give_the_longest_period_that_fits() -> None:
    fit = best_period(np.arange(8) * 3.0)
    # Half the period fits exact times as well; it must not be named.
    assert fit.period_s == pytest.approx(3.0, rel=1e-9)
    assert fit.regularity == pytest.approx(1.0)


@settings(max_examples=60, deadline=None)
@given(st.integers(5, 60), st.floats(0.2, 30.0), st.floats(0.0, 100.0), st.integers(0, 10**6))
def test_a_regular_beat_is_found_at_any_scale(n: int, period_s: float, start_s: float, seed: int) -> None:
    jitter = np.random.default_rng(seed).normal(0, 0.01 * period_s, n)
    found, reason = find_hitch_period(np.sort(start_s + period_s * np.arange(n) + jitter))
    assert reason is None
    assert found is not None
    assert found.period_s == pytest.approx(period_s, rel=0.02)
    assert found.period_low_s <= found.period_s <= found.period_high_s
    assert (found.n_following, found.n_left_over) == (n, 0)


def test_nearly_exact_times_never_give_half_the_period() -> None:
    for seed in range(60):
        generator = np.random.default_rng(seed)
        n = int(generator.integers(4, 13))
        fit = best_period(7.3 * np.arange(n) + generator.normal(0, 1e-6, n))
        assert fit.period_s == pytest.approx(7.3, rel=1e-4), seed


def test_missing_beats_and_hitches_beside_it() -> None:
    beats = np.delete(np.arange(20) * 2.0, [3, 4, 11])
    times = np.sort(np.append(beats, [7.1, 30.9]))
    found, _ = find_hitch_period(times)
    assert found is not None
    assert found.period_s == pytest.approx(2.0, abs=0.01)
    assert (found.n_following, found.n_left_over) == (17, 2)


def test_many_small_stutters_do_not_hide_a_few_large_hitches_that_recur() -> None:
    generator = np.random.default_rng(1)
    large, small = np.arange(1, 9) * 5.0, generator.uniform(0, 45, 12)
    times = np.concatenate((large, small))
    order = np.argsort(times)
    sizes = np.concatenate((np.full(8, 40.0), np.full(12, 6.0)))[order]
    assert find_hitch_period(times[order])[0] is None
    found, _ = find_hitch_period(times[order], sizes)
    assert found is not None
    assert found.period_s == pytest.approx(5.0, abs=0.01)
    assert found.n_following >= 8
    # Two looks were taken, and the p value says so.
    alone, _ = find_hitch_period(np.sort(large))
    assert alone is not None
    assert found.p_value == pytest.approx(2 * alone.p_value)


@pytest.mark.parametrize(("n", "text"), [(0, "no hitch was found"), (1, "1 hitch carries"), (3, "3 hitches carry")])
def test_too_few_hitches_carry_no_period(n: int, text: str) -> None:
    found, reason = find_hitch_period(np.arange(n) * 2.0)
    assert found is None
    assert reason is not None
    assert reason.startswith(text)
    assert reason.endswith("4 or more are needed")


def test_a_burst_with_one_far_hitch_is_no_recurrence() -> None:
    # The span divides into periods that all nine hit, but nearly all beats between are empty.
    found, _ = find_hitch_period(np.append(np.arange(8) * 0.01, 60.0))
    assert found is None


def test_the_p_value_of_few_hitches_as_simulated_here() -> None:
    """An independent simulation, other seed and frequency grid: random times, ends fixed, best concentration."""
    generator = np.random.default_rng(77)
    n, cycles = 6, np.arange(2.5, 12.001, 0.05)
    highest = []
    for _ in range(2000):
        places = np.concatenate(([0.0], generator.random(n - 2), [1.0]))
        highest.append(np.abs(np.exp(2j * np.pi * np.outer(cycles, places)).mean(axis=1)).max())
    for level in (0.5, 0.9, 0.97):
        assert chance_of(float(np.quantile(highest, level)), n) == pytest.approx(1 - level, abs=0.03)


@pytest.mark.parametrize("n", [13, 20, 32])
def test_the_formula_for_many_hitches_errs_on_the_safe_side(n: int) -> None:
    generator = np.random.default_rng(n)
    cycles = np.arange(max(2.5, (n - 1) / 2), 2 * n + 1e-9, 0.125)
    highest = []
    for _ in range(600):
        places = np.concatenate(([0.0], generator.random(n - 2), [1.0]))
        highest.append(np.abs(np.exp(2j * np.pi * np.outer(cycles, places)).mean(axis=1)).max())
    for level in (0.9, 0.98):
        chance = chance_of(float(np.quantile(highest, level)), n)
        assert 0.8 * (1 - level) < chance < 4 * (1 - level)


def test_many_hitches_go_through_the_transform_with_the_same_answer() -> None:
    generator = np.random.default_rng(3)
    for n in (64, 65, 500):
        times = np.sort(2.0 * np.arange(n) + generator.normal(0, 0.1, n))
        fit = best_period(times)
        assert fit.period_s == pytest.approx(2.0, rel=1e-3)
        assert fit.regularity == pytest.approx(math.exp(-0.5 * (2 * math.pi * 0.05) ** 2), abs=0.02)


def test_the_interval_covers_the_period_as_often_as_it_says() -> None:
    generator = np.random.default_rng(9)
    covered = trials = 0
    for _ in range(400):
        found, _ = find_hitch_period(2.0 * np.arange(6) + generator.normal(0, 0.02, 6))
        if found is not None:
            trials += 1
            covered += found.period_low_s <= 2.0 <= found.period_high_s
    assert trials == 400
    # 95 %: the standard error of 400 trials is 1.1 %.
    assert covered / trials == pytest.approx(0.95, abs=0.035)


def test_concentration_is_that_of_the_unit_circle() -> None:
    assert concentration(np.array([0.0, 1.0, 2.0, 3.0]), 4.0) == pytest.approx(0.0, abs=1e-12)
    assert concentration(np.array([0.5, 2.5, 4.5]), 2.0) == pytest.approx(1.0)


def test_runs_together_say_more_than_each() -> None:
    generator = np.random.default_rng(4)
    runs = [2.0 * np.arange(4) + generator.normal(0, 0.03, 4) + start for start in (1.0, 1.4, 0.2)]
    single, _ = find_hitch_period(runs[0])
    pooled, reason = pooled_hitch_period(runs)
    assert reason is None
    assert pooled is not None
    assert single is not None
    assert pooled.p_value < 1e-4 < single.p_value
    assert pooled.period_high_s - pooled.period_low_s < single.period_high_s - single.period_low_s
    assert pooled.n_following == 12


def test_the_pooled_interval_covers_the_period_as_often_as_it_says() -> None:
    generator = np.random.default_rng(12)
    covered = 0
    for _ in range(300):
        runs = [2.0 * np.arange(4) + generator.normal(0, 0.01, 4) + start for start in (0.5, 0.9)]
        pooled, _ = pooled_hitch_period(runs)
        assert pooled is not None
        covered += pooled.period_low_s <= 2.0 <= pooled.period_high_s
    # Eight times, less two starts and one period: Student's factor for five degrees of freedom.
    assert covered / 300 == pytest.approx(0.95, abs=0.04)


def test_runs_that_disagree_are_not_averaged() -> None:
    pooled, reason = pooled_hitch_period([2.0 * np.arange(6), 3.0 * np.arange(6)])
    assert pooled is None
    assert reason == "the runs disagree about the period: 2, 3 s"


def test_one_usable_run_is_no_set() -> None:
    pooled, reason = pooled_hitch_period([2.0 * np.arange(6), np.array([1.0])])
    assert pooled is None
    assert reason == "1 of 2 runs have 4 hitches or more; 2 are needed"


def test_random_runs_have_no_common_period() -> None:
    generator = np.random.default_rng(6)
    claims = sum(
        pooled_hitch_period([np.sort(generator.uniform(0, 60, 8)) for _ in range(3)])[0] is not None for _ in range(100)
    )
    assert claims <= 3


def test_a_chance_too_small_for_a_number_is_not_0() -> None:
    # Rayleigh's exp(-n) is below the least double from 746 hitches on; Fisher's method takes its logarithm.
    beats_s = np.arange(1.0, 1001.0) * 0.7
    assert 0.0 < chance_of(1.0, 1000) < 1e-300
    found, reason = pooled_hitch_period([beats_s, beats_s + 0.1])
    assert reason is None
    assert found is not None
    assert found.period_s == pytest.approx(0.7, rel=1e-9)
    assert found.n_following == 2000
