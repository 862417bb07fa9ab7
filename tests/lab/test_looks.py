"""Verdicts read at several looks, against published bounds, another integration, and simulated errors of the rule."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from frametime.lab.looks import LEAD_ERROR, PLAIN, TIE_ERROR, levels_at, nominal_levels, normal_bounds, spent
from frametime.review.cell_comparisons import decide
from frametime.statistics.differences import log_mean, mean_difference
from frametime.statistics.repeatability import PooledSpread
from frametime.statistics.shared_scatter import shared_variances, variance_prior

EDGE = math.log(1.03)
LOOKS = (3, 5, 8)
SCATTER = 0.02


def test_bounds_of_five_looks_are_those_published() -> None:
    """K. K. G. Lan and D. L. DeMets, Biometrika 70, 1983, 659-663, spending of O'Brien and Fleming's shape.

    Equal information, 0.025 one-sided; the numbers from memory, recomputed by other code.
    """
    published = [4.8769, 3.3569, 2.6803, 2.2898, 2.0310]
    assert normal_bounds([0.2, 0.4, 0.6, 0.8, 1.0], 0.025) == pytest.approx(published, abs=1.5e-4)


@pytest.mark.parametrize("fractions", [[0.375, 0.625, 1.0], [0.1, 0.5, 0.9, 1.0]])
@pytest.mark.parametrize("error", [0.025, 0.05])
def test_paths_cross_no_bound_as_often_as_an_integral_over_all_looks_says(fractions: list[float], error: float) -> None:
    """The multivariate normal distribution of scipy.stats, with covariances sqrt(t_i / t_j)."""
    times = np.array(fractions)
    covariance = np.sqrt(np.minimum.outer(times, times) / np.maximum.outer(times, times))
    bounds = normal_bounds(fractions, error)
    for n in range(1, len(times) + 1):
        inside = stats.multivariate_normal.cdf(
            bounds[:n], cov=covariance[:n, :n], abseps=3e-7, releps=3e-7, maxpts=2_000_000, rng=1
        )
        assert 1.0 - float(inside) == pytest.approx(spent(error, fractions[n - 1]), abs=3e-6)


def test_levels_rise_to_nearly_the_whole_error_and_the_first_is_what_is_spent_there() -> None:
    for error in (LEAD_ERROR, TIE_ERROR):
        levels = nominal_levels(LOOKS, error)
        assert list(levels) == sorted(levels)
        assert levels[0] == pytest.approx(spent(error, 3.0 / 8.0))
        assert 0.85 * error < levels[-1] < error


def test_one_look_spends_all_and_no_look_is_the_plain_rule() -> None:
    assert nominal_levels((5,), 0.025) == (0.025,)
    assert levels_at((), 3) is PLAIN
    assert levels_at(LOOKS, 2) is None


def test_between_two_looks_the_last_one_counts_and_after_the_last_look_that() -> None:
    assert levels_at(LOOKS, 4) == levels_at(LOOKS, 3)
    assert levels_at(LOOKS, 12) == levels_at(LOOKS, 8)
    assert levels_at(LOOKS, 5) != levels_at(LOOKS, 8)


@pytest.mark.parametrize("looks", [(), (1, 3), (5, 3), (3, 3)])
def test_looks_that_do_not_rise_from_two_runs_are_refused(looks: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="looks must rise"):
        nominal_levels(looks, 0.025)


def _stops(
    advantage: float, looks: tuple[int, ...], rule: tuple[int, ...], n: int, seed: int
) -> tuple[dict[str, int], float]:
    """Verdicts at which n cells stop, and how many runs of each card they took on average."""
    rng = np.random.default_rng(seed)
    counts = {"ahead": 0, "behind": 0, "tied": 0, "undecided": 0}
    made = 0
    for _ in range(n):
        candidate, baseline = rng.normal(advantage, SCATTER, looks[-1]), rng.normal(0.0, SCATTER, looks[-1])
        for n_runs in looks:
            levels = levels_at(rule, n_runs)
            assert levels is not None
            found = mean_difference(log_mean(candidate[:n_runs]), log_mean(baseline[:n_runs]))
            verdict = decide(found, margin=0.03, levels=levels).verdict
            if verdict != "undecided":
                break
        counts[verdict] += 1
        made += n_runs
    return counts, made / n


@pytest.mark.slow
def test_errors_over_all_looks_keep_what_is_promised_and_a_third_of_the_runs_is_saved() -> None:
    """8 000 cells each: false *ahead* of equal cards at most 2.5 % a side, false *tied* at the margin at most 5 %."""
    n = 8_000
    chance_lead, chance_tie = 3.0 * math.sqrt(0.025 / n), 3.0 * math.sqrt(0.05 / n)
    equal, _ = _stops(0.0, LOOKS, LOOKS, n, seed=1)
    at_edge, _ = _stops(EDGE, LOOKS, LOOKS, n, seed=2)
    assert max(equal["ahead"], equal["behind"]) / n <= 0.025 + chance_lead
    assert at_edge["tied"] / n <= 0.05 + chance_tie
    # What is mended: the plain rule, read at the same looks, calls a difference of the margin a tie too often.
    plain, _ = _stops(EDGE, LOOKS, (), n, seed=2)
    assert plain["tied"] / n > 0.055
    # Against always making the last number of runs, over cards that differ by 0 to 12 %.
    made = [_stops(advantage, LOOKS, LOOKS, 500, seed=3)[1] for advantage in (0.0, 0.03, 0.06, 0.09, 0.12)]
    assert np.mean(made) < 0.8 * LOOKS[-1]


@pytest.mark.slow
@pytest.mark.parametrize("unlike", [0.2, 0.7])
def test_with_scatter_shared_between_cells_the_errors_keep_within_their_bounds_too(unlike: float) -> None:
    """The default of a plan: 12 cells whose scatters differ, each of which stops by itself; 1 800 cells."""
    n_cells, n_reviews = 12, 150
    rng = np.random.default_rng(8)
    chance = {error: 3.0 * math.sqrt(error / (n_cells * n_reviews)) for error in (0.025, 0.05)}
    for truth, wrong, error in ((0.0, ("ahead", "behind"), 0.025), (EDGE, ("tied",), 0.05)):
        verdicts: list[str] = []
        for _ in range(n_reviews):
            scatter = SCATTER * np.exp(unlike * rng.standard_normal(n_cells) - unlike**2 / 2.0)[:, None]
            sides = [mean + scatter * rng.standard_normal((n_cells, LOOKS[-1])) for mean in (truth, 0.0)]
            verdicts += _stopped(sides)
        assert max(verdicts.count(word) for word in wrong) / len(verdicts) <= error + chance[error]


def _stopped(sides: Sequence[NDArray[np.float64]]) -> list[str]:
    """The verdict at which each cell stops; the scatter is shared anew at each look."""
    n_runs, verdicts = [LOOKS[0]] * len(sides[0]), ["undecided"] * len(sides[0])
    for look in LOOKS:
        n_runs = [look if word == "undecided" else n for n, word in zip(n_runs, verdicts, strict=True)]
        means = []
        for side in sides:
            cells = [values[:n] for values, n in zip(side, n_runs, strict=True)]
            own = np.array([np.var(cell, ddof=1) for cell in cells])
            freedom = np.array([n - 1.0 for n in n_runs])
            shared = zip(*shared_variances(own, freedom, variance_prior(own, freedom)), strict=True)
            means.append(
                [
                    log_mean(cell).with_scatter(
                        PooledSpread(variance=variance, degrees_of_freedom=df, n_sets=len(cells)), None
                    )
                    for cell, (variance, df) in zip(cells, shared, strict=True)
                ]
            )
        levels = levels_at(LOOKS, look)
        assert levels is not None
        verdicts = [
            decide(mean_difference(one, other), margin=0.03, levels=levels).verdict if word == "undecided" else word
            for one, other, word in zip(*means, verdicts, strict=True)
        ]
    return verdicts
