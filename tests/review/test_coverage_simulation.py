"""Do the intervals hold what they promise? Seeded simulations of many matrices of known truth.

The parts under test are the functions of the package; the loops here only make runs and count.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from frametime.review.cell_comparisons import decide
from frametime.review.result_tables import Verdict
from frametime.statistics.differences import Difference, combined, log_mean, mean_difference, over_sample
from frametime.statistics.repeatability import pooled_spread

MARGIN = 0.03
EDGE = math.log1p(MARGIN)
ALLOWED = (0.93, 0.97)


@dataclass
class Tally:
    """How often something was true, with the bound that chance alone stays under in all but one of 1000 cases."""

    hits: int = 0
    trials: int = 0

    def add(self, hit: bool) -> None:
        self.hits += hit
        self.trials += 1

    @property
    def rate(self) -> float:
        return self.hits / self.trials

    def slack(self, rate: float) -> float:
        return 3.1 * math.sqrt(rate * (1.0 - rate) / self.trials)


def covers(found: Difference | None, truth: float, level: float = 0.95) -> bool:
    bounds = None if found is None else found.bounds(level)
    assert bounds is not None
    return bounds[0] <= truth <= bounds[1]


def cells_of(
    rng: np.random.Generator, advantages: NDArray[np.float64], spreads: NDArray[np.float64], n_runs: int
) -> list[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Log values of candidate and baseline in each cell; cells have their own scatter."""
    return [
        (advantage + spread * rng.standard_normal(n_runs), spread * rng.standard_normal(n_runs))
        for advantage, spread in zip(advantages, spreads, strict=True)
    ]


def unlike_spreads(rng: np.random.Generator, n: int) -> NDArray[np.float64]:
    """Scenes repeat unlike well: about 0.3 % to 2.5 %, as in recorded runs."""
    return 0.008 * np.exp(0.5 * rng.standard_normal(n))


@pytest.mark.slow
@pytest.mark.parametrize("n_runs", [3, 4, 5, 10])
def test_cell_intervals_cover_the_truth(n_runs: int) -> None:
    rng = np.random.default_rng(100 + n_runs)
    tally = Tally()
    for _ in range(700):
        advantages = 0.05 * rng.standard_normal(10)
        for truth, (one, other) in zip(
            advantages, cells_of(rng, advantages, unlike_spreads(rng, 10), n_runs), strict=True
        ):
            tally.add(covers(mean_difference(log_mean(one), log_mean(other)), truth))
    assert ALLOWED[0] <= tally.rate <= ALLOWED[1], tally


@pytest.mark.slow
def test_with_two_runs_the_cell_interval_is_on_the_safe_side() -> None:
    # With 2 runs a side Welch's degrees of freedom are 1 to 2 and the interval covers more than it says.
    rng = np.random.default_rng(102)
    tally = Tally()
    for _ in range(7000):
        one, other = 0.01 * rng.standard_normal((2, 2))
        tally.add(covers(mean_difference(log_mean(one), log_mean(other)), 0.0))
    assert 0.95 <= tally.rate <= 0.99, tally


@pytest.mark.slow
@pytest.mark.parametrize(("n_cells", "n_runs"), [(2, 3), (6, 3), (15, 3), (15, 2)])
def test_these_scenes_covers_the_truth_of_the_same_scenes(n_cells: int, n_runs: int) -> None:
    rng = np.random.default_rng(200 + n_cells)
    tally = Tally()
    for _ in range(3000):
        advantages = 0.05 * rng.standard_normal(n_cells)
        cells = cells_of(rng, advantages, unlike_spreads(rng, n_cells), n_runs)
        terms = [
            (weight / n_cells, log_mean(values))
            for pair in cells
            for weight, values in zip((1.0, -1.0), pair, strict=True)
        ]
        tally.add(covers(combined(terms), float(advantages.mean())))
    assert ALLOWED[0] <= tally.rate <= ALLOWED[1], tally


@pytest.mark.slow
@pytest.mark.parametrize("n_scenes", [3, 5, 12])
def test_scenes_like_these_covers_the_truth_of_all_such_scenes(n_scenes: int) -> None:
    """A scene's advantage is its own at every resolution, with little of the resolution: scenes are the sample."""
    rng = np.random.default_rng(300 + n_scenes)
    by_scene, by_cell = Tally(), Tally()
    truth = 0.04
    for _ in range(2500):
        scene = truth + 0.05 * rng.standard_normal(n_scenes)
        cells = (scene[:, None] + 0.01 * rng.standard_normal((n_scenes, 3))).ravel()
        found = np.array(
            [one.mean() - other.mean() for one, other in cells_of(rng, cells, unlike_spreads(rng, cells.size), 3)]
        )
        names = np.repeat(np.arange(n_scenes), 3).tolist()
        by_scene.add(covers(over_sample(found.tolist(), names), truth))
        by_cell.add(covers(over_sample(found.tolist(), list(range(found.size))), truth))
    assert ALLOWED[0] <= by_scene.rate <= ALLOWED[1], by_scene
    # Why the scene is the default: with the cell as the unit the same interval covers far too little.
    assert by_cell.rate < 0.85, by_cell


@pytest.mark.slow
@pytest.mark.parametrize("spread", [0.004, 0.012, 0.03])
def test_ahead_is_rarely_said_of_equal_cards(spread: float) -> None:
    rng = np.random.default_rng(400)
    ahead, behind = Tally(), Tally()
    for _ in range(8000):
        one, other = spread * rng.standard_normal((2, 3))
        verdict = decide(mean_difference(log_mean(one), log_mean(other)), margin=MARGIN).verdict
        ahead.add(verdict == "ahead")
        behind.add(verdict == "behind")
    for tally in (ahead, behind):
        assert tally.rate <= 0.025 + tally.slack(0.025), tally


@pytest.mark.slow
@pytest.mark.parametrize("spread", [0.004, 0.008, 0.02])
@pytest.mark.parametrize("n_runs", [3, 6])
def test_tied_is_rarely_said_at_the_margin(spread: float, n_runs: int) -> None:
    rng = np.random.default_rng(500)
    tied = Tally()
    for _ in range(5000):
        one, other = spread * rng.standard_normal((2, n_runs))
        verdict = decide(mean_difference(log_mean(one + EDGE), log_mean(other)), margin=MARGIN).verdict
        tied.add(verdict == "tied")
    assert tied.rate <= 0.05 + tied.slack(0.05), tied


@pytest.mark.slow
def test_overall_verdicts_keep_the_same_promises() -> None:
    rng = np.random.default_rng(600)
    wrong: dict[Verdict, Tally] = {"ahead": Tally(), "tied": Tally()}
    for _ in range(3000):
        spreads = 3.0 * unlike_spreads(rng, 6)
        for verdict, truth in (("ahead", 0.0), ("tied", EDGE)):
            advantages = 0.02 * rng.standard_normal(6)
            cells = cells_of(rng, advantages - advantages.mean() + truth, spreads, 3)
            terms = [(1.0 / 6.0, log_mean(one)) for one, _ in cells] + [(-1.0 / 6.0, log_mean(two)) for _, two in cells]
            wrong[verdict].add(decide(combined(terms), margin=MARGIN).verdict == verdict)
    assert wrong["ahead"].rate <= 0.025 + wrong["ahead"].slack(0.025), wrong
    assert wrong["tied"].rate <= 0.05 + wrong["tied"].slack(0.05), wrong


@pytest.mark.slow
def test_pooling_is_right_where_scenes_repeat_alike_and_wrong_where_they_do_not() -> None:
    """Why pooling is no default."""
    rng = np.random.default_rng(700)
    alike, unlike, own = Tally(), Tally(), Tally()
    for _ in range(800):
        for tally, spreads in ((alike, np.full(15, 0.008)), (unlike, 0.008 * np.exp(0.3 * rng.standard_normal(15)))):
            cells = cells_of(rng, np.zeros(15), spreads, 3)
            pools = [pooled_spread([pair[side] for pair in cells]) for side in (0, 1)]
            noisiest = int(spreads.argmax())
            for at, (one, other) in enumerate(cells):
                if tally is alike or at == noisiest:
                    pooled = mean_difference(
                        log_mean(one).with_scatter(pools[0]), log_mean(other).with_scatter(pools[1])
                    )
                    tally.add(covers(pooled, 0.0))
                    own.add(covers(mean_difference(log_mean(one), log_mean(other)), 0.0))
    assert ALLOWED[0] <= alike.rate <= ALLOWED[1], alike
    assert unlike.rate < 0.88, unlike
    assert ALLOWED[0] <= own.rate <= ALLOWED[1], own


@pytest.mark.slow
def test_the_pooled_scatter_over_a_whole_matrix_covers_as_well() -> None:
    rng = np.random.default_rng(800)
    tally = Tally()
    for _ in range(3000):
        advantages = 0.05 * rng.standard_normal(3)
        cells = cells_of(rng, advantages, np.full(3, 0.01), 2)
        pools = [pooled_spread([pair[side] for pair in cells]) for side in (0, 1)]
        terms = [
            (weight / 3.0, log_mean(values).with_scatter(pool, name))
            for pair in cells
            for weight, values, pool, name in zip((1.0, -1.0), pair, pools, "ab", strict=True)
        ]
        tally.add(covers(combined(terms), float(advantages.mean())))
    assert ALLOWED[0] <= tally.rate <= ALLOWED[1], tally
