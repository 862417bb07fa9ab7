"""The order of runs, and the drift that it lets take out, against another library and by simulation."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from frametime.lab.sessions import Cost, OrderQuality, common_drift, orders, quality, recommended, run_order

CELLS = [(f"scene-{number}", resolution) for number in range(5) for resolution in ("1440p", "2160p")]
CARDS = ["amber-6", "birch-9", "cedar-12"]


@pytest.mark.parametrize("passes", [1, 2, 4, 6])
@pytest.mark.parametrize("n_runs", [1, 2, 3, 5])
def test_every_run_stands_once_and_those_of_a_cell_rise(passes: int, n_runs: int) -> None:
    steps = run_order(CARDS, CELLS, n_runs, passes=passes, seed=3)
    assert Counter(step[:4] for step in steps) == Counter(
        (card, *cell, str(run + 1)) for card in CARDS for cell in CELLS for run in range(n_runs)
    )
    for card in CARDS:
        for cell in CELLS:
            runs = [int(step.run) for step in steps if step.card == card and step[1:3] == cell]
            assert runs == sorted(runs)


def test_cards_stand_in_mirrored_order_and_play_the_same_in_a_pass() -> None:
    steps = run_order(CARDS, CELLS, 3, passes=4, seed=3)
    stints: dict[int, list[tuple[str, ...]]] = {}
    for step in steps:
        stints.setdefault(step.stint, []).append(step)
    a, b, c = CARDS
    assert [of_stint[0][0] for of_stint in stints.values()] == [a, b, c, b, a, b, c, b, a]
    passes: list[list[tuple[str, ...]]] = [
        [step[1:4] for step in steps if step.card == a][at : at + 8] for at in (0, 8)
    ]
    assert passes[0] == [step[1:4] for step in steps if step.card == b][:8]


def test_the_same_seed_gives_the_same_order_and_another_another() -> None:
    first, again, other = (run_order(CARDS, CELLS, 3, passes=2, seed=seed) for seed in (1, 1, 2))
    assert first == again
    assert first != other


@pytest.mark.parametrize("n_cards", [2, 3, 12])
@pytest.mark.parametrize("n_cells", [4, 7, 16])
@pytest.mark.parametrize("n_runs", [3, 4, 5])
def test_of_a_drift_of_2_pct_a_tenth_of_a_percent_is_left_and_one_card_by_card(
    n_cards: int, n_cells: int, n_runs: int
) -> None:
    """By the logs that runs at these times would have, without noise; two cards by card: 1 % and more."""
    cards, cells = [f"card-{number}" for number in range(n_cards)], [(f"scene-{n}", "1440p") for n in range(n_cells)]
    found = orders(cards, cells, n_runs, seed=5)
    for at, least, most in ((recommended(found), 0.0, 0.001), (0, 0.0099, 0.02)):
        one, steps = found[at]
        drifted = [(step.card, 0.02 * (step.start_min / 60.0) / one.hours) for step in steps]
        means = [np.mean([log for card, log in drifted if card == name]) for name in cards]
        assert least <= np.ptp(means) <= most
        assert np.ptp(means) == pytest.approx(0.02 * one.left_whole / one.hours)


def test_more_swaps_leave_less_in_each_cell_and_cost_hours() -> None:
    found = [one for one, _ in orders(CARDS, CELLS, 3, seed=1)]
    assert [one.n_swaps for one in found] == [2, 4, 8, 12, 16]
    assert [one.left_cell for one in found] == sorted((one.left_cell for one in found), reverse=True)
    assert found[1].hours - found[0].hours == pytest.approx(2 * 10.0 / 60.0)
    assert found[1].hours == pytest.approx((90 * 3.0 + 4 * 10.0) / 60.0)


def test_swaps_that_are_allowed_are_used_and_too_few_mean_card_by_card() -> None:
    found = orders(CARDS, CELLS, 3, seed=1)
    assert [found[recommended(found, swaps)][0].n_swaps for swaps in (0, 2, 5, 9, 99)] == [2, 2, 4, 8, 16]


def test_no_order_is_offered_that_has_no_more_swaps_than_the_one_before() -> None:
    """Two cells of three runs fill four passes; in six, two would be empty."""
    found = [one for one, _ in orders(["a", "b"], CELLS[:2], 3, seed=1)]
    assert [(one.passes, one.n_swaps) for one in found] == [(1, 1), (2, 2), (4, 4)]


def test_unasked_the_fewest_swaps_that_leave_little_enough_are_recommended_or_those_that_leave_least() -> None:
    """Of four hours 0.2 h may be left: a twentieth."""

    def recommended_of(*left: float) -> int:
        return recommended([(OrderQuality(at, at, 4.0, one, one), ()) for at, one in enumerate(left)])

    assert recommended_of(1.5, 0.2, 0.0) == 1
    assert recommended_of(1.5, 0.21, 0.3) == 1


def test_times_count_runs_and_swaps() -> None:
    steps = run_order(["a", "b"], [("harbor", "1440p")], 1, passes=1, seed=1, cost=Cost(run_min=2.0, swap_min=7.0))
    assert [step.start_min for step in steps] == [0.0, 9.0]
    assert quality(steps, 1, Cost(run_min=2.0, swap_min=7.0)).hours == pytest.approx(11.0 / 60.0)


def test_the_drift_is_that_of_least_squares_with_a_level_for_each_set() -> None:
    """statsmodels: ordinary least squares with a dummy variable for each set."""
    from statsmodels.regression.linear_model import OLS

    rng = np.random.default_rng(4)
    sizes = [3, 4, 2, 5]
    times = [rng.uniform(0.0, 5.0, n) for n in sizes]
    logs = [rng.normal(at, 0.01, n) + 0.004 * time for at, (n, time) in enumerate(zip(sizes, times, strict=True))]
    of_set = np.repeat(np.arange(len(sizes)), sizes)
    design = np.column_stack([np.concatenate(times), of_set[:, None] == np.arange(len(sizes))]).astype(float)
    reference = OLS(np.concatenate(logs), design).fit()
    found = common_drift(list(zip(times, logs, strict=True)))
    assert found is not None
    assert found.per_hour == pytest.approx(reference.params[0], rel=1e-9)
    assert found.variance == pytest.approx(reference.bse[0] ** 2, rel=1e-9)
    assert found.degrees_of_freedom == reference.df_resid


def test_runs_of_one_time_tell_no_drift() -> None:
    one = np.zeros(3)
    assert common_drift([(one, np.array([0.0, 0.1, 0.2]))]) is None
    assert common_drift([(np.array([0.0, 1.0]), np.array([0.0, 0.1]))]) is None
