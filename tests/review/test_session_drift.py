"""A drift of the session is taken off where the order tells it from the cards, by simulation of whole reviews."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from example_result import METRICS, design, placed_run

from frametime.lab.sessions import Step, orders
from frametime.review.result import ReviewResult
from frametime.review.reviewing import review_runs
from frametime.review.run_set import PlacedRun

CARDS, SCENES = ("amber-6", "birch-9", "cedar-12"), tuple(f"scene-{number}" for number in range(8))
PLAN = design(CARDS, SCENES, ("1440p",), metrics=METRICS[:1], takes_out_drift=True, spread="own")
ORDERS = orders(CARDS, PLAN.cells, 3, seed=3)
HOURS = ORDERS[1][0].hours
LEADS = {"amber-6": 0.0, "birch-9": 0.02, "cedar-12": 0.05}


def made(steps: tuple[Step, ...], *, drift: float, scatter: float, seed: int = 1) -> list[PlacedRun]:
    """Runs of known cards; ``drift`` is over the whole session."""
    rng = np.random.default_rng(seed)
    runs = []
    for step in steps:
        hours = step.start_min / 60.0
        log = LEADS[step.card] + drift * hours / HOURS + float(rng.normal(0.0, scatter))
        run = placed_run(*step[:4], {"average_fps": 100.0 * math.exp(log)})
        runs.append(replace(run, start_h=490_000.0 + hours))
    return runs


def off_by(result: ReviewResult) -> float:
    """How far the worst ratio over all cells is from the truth."""
    return max(abs(math.log(item.ratio or 0.0) - LEADS[item.candidate]) for item in result.overall if item.cut == "all")


def codes(result: ReviewResult) -> list[str]:
    return [caveat.code for caveat in result.caveats if caveat.code.startswith("drift")]


def test_a_drift_is_taken_off_every_cell_and_said() -> None:
    runs = made(ORDERS[1][1], drift=0.02, scatter=1e-6)
    with_drift, without = review_runs(replace(PLAN, takes_out_drift=False), runs), review_runs(PLAN, runs)
    worst = [
        max(abs(math.log(item.ratio or 0.0) - LEADS[item.candidate]) for item in result.comparisons)
        for result in (with_drift, without)
    ]
    assert worst[0] > 0.002
    assert worst[1] < 1e-5
    assert codes(without) == ["drift-taken-out"]
    assert f"{100.0 * math.expm1(0.02 / HOURS):+.2f} % an hour" in without.caveats[0].message
    falling = review_runs(PLAN, made(ORDERS[1][1], drift=-0.02, scatter=1e-6)).caveats[0].message
    assert f"of \N{MINUS SIGN}{-100.0 * math.expm1(-0.02 / HOURS):.2f} % an hour (\N{MINUS SIGN}" in falling
    # What a run measured stays as it was.
    assert [run.values for run in without.runs] == [run.values for run in with_drift.runs]
    assert without.log_means == ()


@pytest.mark.parametrize(
    ("scatter", "n_sessions"), [(0.0025, 10), pytest.param(0.005, 40, marks=pytest.mark.slow)], ids=["few", "many"]
)
@pytest.mark.parametrize("drift", [0.0, 0.02])
def test_of_a_drift_of_2_pct_at_most_a_tenth_of_a_percent_is_left_in_the_recommended_order(
    drift: float, scatter: float, n_sessions: int
) -> None:
    """Over sessions with run noise of 0.5 %, or a quarter of them with half of it: the mean of what is off.

    Noise alone does not move it: half the noise over a quarter of the sessions leaves the mean as sure.
    """
    found = [
        [math.log(item.ratio or 0.0) - LEADS[item.candidate] for item in result.overall if item.cut == "all"]
        for seed in range(n_sessions)
        for result in [review_runs(PLAN, made(ORDERS[1][1], drift=drift, scatter=scatter, seed=seed))]
    ]
    assert np.abs(np.mean(found, axis=0)).max() < 0.001


def test_card_by_card_a_drift_cannot_be_told_and_none_is_taken_out() -> None:
    runs = made(ORDERS[0][1], drift=0.02, scatter=0.02)
    result = review_runs(PLAN, runs)
    assert codes(result) == ["drift-not-told"]
    assert "does not tell a drift of the average rate from the cards" in next(c.message for c in result.caveats)
    assert off_by(result) > 0.005
    assert result.log_means != ()


@pytest.mark.parametrize(
    ("shift_h", "words"),
    [(None, "1 run of 72 do not tell when they were made"), (30.0, "more than 6 hours apart")],
)
def test_runs_without_times_or_of_two_sessions_have_no_drift_taken_out(shift_h: float | None, words: str) -> None:
    runs = made(ORDERS[1][1], drift=0.02, scatter=0.005)
    first = runs[0].start_h
    assert first is not None
    runs[0] = replace(runs[0], start_h=None if shift_h is None else first - shift_h)
    result = review_runs(PLAN, runs)
    assert codes(result) == ["drift-not-told"]
    assert words in result.caveats[0].message


@pytest.mark.slow
def test_intervals_count_what_taking_a_drift_out_costs() -> None:
    """Card by card with a wide margin, where the cost is large: 95 % of the intervals hold the truth."""
    plan = replace(PLAN, margin=0.5)
    hits, widths = [], []
    for seed in range(150):
        result = review_runs(plan, made(ORDERS[0][1], drift=0.02, scatter=0.004, seed=seed))
        assert codes(result) == ["drift-taken-out"]
        for item in result.overall:
            interval = item.interval_these_scenes
            if item.cut == "all" and interval is not None:
                hits.append(interval.low <= math.exp(LEADS[item.candidate]) <= interval.high)
                widths.append(interval.high - interval.low)
    assert 0.92 <= np.mean(hits) <= 0.98
    assert np.mean(widths) > 0.006
