"""Looks in a review: which cells are decided, which wait for more runs, which are left."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from example_result import METRICS, design, placed_run

from frametime.review.cell_comparisons import runs_needed
from frametime.review.design import ReviewDesign
from frametime.review.result import CoverageCell
from frametime.review.reviewing import flags_and_coverage, review_runs
from frametime.review.run_set import PlacedRun

CARDS = ("amber-6", "birch-9", "cedar-12")
NOISE = (-0.011, 0.004, 0.007, -0.006, 0.009, -0.002, 0.003, -0.004)


def asked(looks: tuple[int, ...] = (3, 5, 8), cards: Sequence[str] = CARDS) -> ReviewDesign:
    return design(cards, ("harbor",), ("1440p",), metrics=METRICS[:1], looks=looks, spread="own")


def runs(card: str, advantage: float, n: int, *, scatter: float = 1.0) -> list[PlacedRun]:
    noise = NOISE if card == "amber-6" else NOISE[::-1]
    return [_run(card, advantage + scatter * noise[at], at) for at in range(n)]


def cells(design_: ReviewDesign, *made: list[PlacedRun]) -> dict[str, CoverageCell]:
    _, coverage = flags_and_coverage(design_, [run for of_card in made for run in of_card], [])
    return {cell.card: cell for cell in coverage.cells}


def test_before_the_first_look_no_verdict_is_read() -> None:
    plan = asked(cards=CARDS[:2])
    made = [*runs("amber-6", 0.0, 2), *runs("birch-9", 0.3, 2)]
    assert [item.verdict for item in review_runs(plan, made).comparisons] == ["undecided"]
    assert [(cell.look, cell.n_planned) for cell in cells(plan, made).values()] == [("first look", 3)] * 2


def test_a_far_lead_is_decided_and_a_close_one_waits_for_the_next_look() -> None:
    found = cells(asked(), runs("amber-6", 0.0, 3), runs("birch-9", 0.6, 3), runs("cedar-12", 0.06, 3))
    assert (found["birch-9"].look, found["birch-9"].to_make) == ("decided", ())
    assert (found["cedar-12"].look, found["cedar-12"].n_planned) == ("more", 5)
    assert [run.run for run in found["cedar-12"].to_make] == ["4", "5"]
    assert found["cedar-12"].to_make[0].sentence == "The cell is undecided: its next look is at 5 runs."
    # The baseline waits as long as one of the others does.
    assert (found["amber-6"].look, found["amber-6"].n_planned) == ("more", 5)


def test_what_the_plain_rule_decides_at_three_runs_can_wait_for_a_look() -> None:
    made = [*runs("amber-6", 0.0, 3), *runs("birch-9", 0.06, 3)]
    verdicts = [review_runs(asked(looks, CARDS[:2]), made).comparisons[0] for looks in ((), (3,), (3, 5, 8))]
    assert [item.verdict for item in verdicts] == ["ahead", "ahead", "undecided"]
    assert verdicts[0].p_value == verdicts[1].p_value
    assert verdicts[2].p_value is not None
    assert verdicts[2].p_value > 0.05


def test_a_cell_that_the_last_look_would_not_decide_is_left_as_it_is() -> None:
    found = cells(asked(cards=CARDS[:2]), runs("amber-6", 0.0, 5, scatter=4.0), runs("birch-9", 0.015, 5, scatter=4.0))
    assert {(cell.look, cell.n_planned) for cell in found.values()} == {("leave", 5)}
    assert all(not cell.to_make for cell in found.values())


def test_after_the_last_look_nothing_is_waited_for() -> None:
    found = cells(asked((3, 4), CARDS[:2]), runs("amber-6", 0.0, 4), runs("birch-9", 0.024, 4))
    assert {cell.look for cell in found.values()} == {"leave"}


def test_a_plan_without_looks_asks_for_its_number_of_runs_as_before() -> None:
    found = cells(asked(()), runs("amber-6", 0.0, 2), runs("birch-9", 0.6, 3))
    assert [(cell.look, len(cell.to_make)) for cell in found.values()] == [(None, 1), (None, 0), (None, 3)]


def test_runs_needed_are_those_of_a_look_and_none_where_the_last_would_hardly_decide() -> None:
    variances = {"candidate_variance": 0.02**2, "baseline_variance": 0.02**2, "margin": 0.03}
    assert runs_needed(0.075, **variances, looks=(3, 5, 8), fewest=4).n_runs == 5
    assert runs_needed(0.045, **variances, looks=(3, 5, 8), fewest=4).n_runs == 8
    variances |= {"candidate_variance": 0.03**2, "baseline_variance": 0.03**2}
    assert runs_needed(0.015, **variances, looks=(3, 5, 8), fewest=4).at_margin
    assert runs_needed(0.2, **variances, looks=(3, 5, 8), fewest=9).at_margin


def test_the_method_tells_the_levels_of_each_look() -> None:
    made = [*runs("amber-6", 0.0, 3), *runs("birch-9", 0.06, 3)]
    methods = {method.key: method for method in review_runs(asked(cards=CARDS[:2]), made).methods}
    assert "3 runs: 99.95 % and 99.73 %" in methods["looks"].text
    assert "looks" not in {method.key for method in review_runs(asked((), CARDS[:2]), made).methods}


@pytest.mark.slow
def test_over_cards_that_differ_by_up_to_12_pct_a_third_of_the_runs_is_saved() -> None:
    """Against always making the runs of the last look; with scatters of 0.5, 1 and 2 %."""
    looks, rng, n = (3, 5, 8), np.random.default_rng(5), 80
    made, open_cells = [], 0
    plan = asked(looks, CARDS[:2])
    for scatter in (0.005, 0.01, 0.02):
        for advantage in np.linspace(0.0, 0.12, n):
            one = [
                _run(card, float(rng.normal(advantage * (card != "amber-6"), scatter)), at)
                for at in range(looks[-1])
                for card in CARDS[:2]
            ]
            n_runs = looks[0]
            while (waits := cells(plan, one[: 2 * n_runs])["birch-9"]).look == "more":
                n_runs = waits.n_planned
            made.append(n_runs)
            open_cells += waits.look == "leave"
    assert np.mean(made) <= looks[-1] * 2.0 / 3.0
    assert open_cells / len(made) < 0.25


def _run(card: str, log: float, at: int) -> PlacedRun:
    return placed_run(card, "harbor", "1440p", str(at + 1), {"average_fps": 100.0 * math.exp(log)})
