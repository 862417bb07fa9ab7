"""Grubbs's test is asked of the cells that Cochran's test suspects and of flagged runs, and decides nothing."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import pytest
from example_result import METRICS, design, placed_run

from frametime.review.result import ReviewResult
from frametime.review.reviewing import review_runs

KEY = METRICS[0].key

# NIST/SEMATECH e-Handbook 1.3.5.17.1, data of Tietjen and Moore 1972: G = 2.4687 (2.468765 in full), the last value.
TIETJEN_MOORE = (199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57)
# ISO 5725-2:1994, table 5, for one largest or one smallest value: number of values, 5 %, 1 %.
TABLE_5 = {3: (1.155, 1.155), 4: (1.481, 1.496), 8: (2.126, 2.274)}


def reviewed(logs: Mapping[str, Sequence[float]]) -> ReviewResult:
    """One card, a cell for each scene, runs whose logs are given."""
    runs = [
        placed_run("amber-6", scene, "1440p", str(number), {KEY: 100.0 * math.exp(value)})
        for scene, values in logs.items()
        for number, value in enumerate(values, start=1)
    ]
    return review_runs(design(("amber-6",), tuple(logs), ("1440p",), metrics=METRICS[:1]), runs)


def steady(n_cells: int, n_runs: int = 8) -> dict[str, list[float]]:
    """Cells whose runs lie alike, 0.1 % from one to the next."""
    return {f"steady{at}": [0.001 * run for run in range(n_runs)] for at in range(n_cells)}


def test_the_handbooks_outlier_is_named_where_cochran_suspects_its_cell() -> None:
    # A hundredth of the published values, as logs: G does not change with the unit.
    logs = [(value - 200.0) / 100.0 for value in TIETJEN_MOORE]
    result = reviewed({**steady(4), "odd": logs})
    (told,) = result.repeatability
    assert told.cochran is not None
    assert (told.cochran.scene, told.cochran.outcome) == ("odd", "outlier")
    (found,) = told.grubbs
    assert (found.run_name, found.n_runs, found.outcome) == ("amber-6/odd/1440p/8", 8, "outlier")
    assert found.statistic == pytest.approx(2.468765, abs=1e-6)
    assert (found.critical_5pct, found.critical_1pct) == pytest.approx(TABLE_5[8], abs=1.1e-3)


def test_a_cell_that_cochran_does_not_suspect_is_not_asked() -> None:
    # The first is a Grubbs straggler by itself, and scatters no more than the others.
    logs = {**steady(4, n_runs=4), "alike": [0.0, 0.0001, 0.0, 0.0024]}
    (told,) = reviewed(logs).repeatability
    assert told.cochran is not None
    assert (told.cochran.outcome, told.grubbs) == ("ok", ())


def test_the_flag_carries_the_outcome_and_the_run_counts_all_the_same() -> None:
    result = reviewed({**steady(4, n_runs=3), "odd": [0.0, 0.001, -0.1]})
    (run,) = [run for run in result.runs if run.flag is not None]
    assert run.flag is not None
    found = run.flag.grubbs
    assert (found.run_name, found.n_runs, found.outcome) == (run.name, 3, "straggler")
    assert (found.critical_5pct, found.critical_1pct) == pytest.approx(TABLE_5[3], abs=1.1e-3)
    assert found.statistic < 2.0 / math.sqrt(3.0), "three values cannot lie farther off than this"
    assert "9.6 % below the mean of the other 2 runs of its set; normal variation on this card is at most 1.0 %" in (
        run.flag.sentence
    )
    assert run.flag.sentence.endswith("(from these and the card's 4 other cells).")
    assert run.flag.method == (
        "chance below 5 % over all 15 values of the review, by the rest of the set and the card's 4 other cells"
    )
    assert run.name in result.cells[-1].run_names


def test_a_flag_by_another_metric_tells_the_headline_metric_too() -> None:
    """Who reads a review by averages would look for the run in vain."""
    low = METRICS[1].key
    off = {("birch-9", "odd", 3): (0.02, 0.2)}
    runs = [
        placed_run(card, scene, "1440p", str(run), {KEY: 100.0 * math.exp(-average), low: 80.0 * math.exp(-lows)})
        for card in ("amber-6", "birch-9")
        for scene in (*steady(6), "odd")
        for run in (1, 2, 3)
        for average, lows in [off.get((card, scene, run), (0.001 * run, 0.001 * run))]
    ]
    told = f"The {METRICS[1].label} is 18.0 % below the mean of the other 2 runs of its set; "
    for metrics, more in (
        (METRICS[:2], f" In {METRICS[0].label} the run is 1.8 % below the others."),
        (METRICS[1:2], ""),
    ):
        result = review_runs(design(("amber-6", "birch-9"), (*steady(6), "odd"), ("1440p",), metrics=metrics), runs)
        (flag,) = [run.flag for run in result.runs if run.flag is not None]
        assert flag.metric == low and flag.sentence.startswith(told)
        assert flag.sentence.endswith(f"(from these and the card's 6 other cells).{more}")
    # Where a run lacks the headline metric, the logs do not say of which run each is.
    lacking = placed_run("birch-9", "odd", "1440p", "1", {KEY: None, low: 80.0})
    some = [lacking if run.name == lacking.name else run for run in runs]
    result = review_runs(design(("amber-6", "birch-9"), (*steady(6), "odd"), ("1440p",), metrics=METRICS[:2]), some)
    (flag,) = [run.flag for run in result.runs if run.flag is not None]
    assert flag.metric == low and "In average rate" not in flag.sentence


def test_three_runs_are_too_few_for_it_where_the_flag_still_tells() -> None:
    result = reviewed({**steady(6, n_runs=3), "odd": [0.0, 0.006, -0.1]})
    (run,) = [run for run in result.runs if run.flag is not None]
    assert run.flag is not None
    assert run.flag.grubbs.outcome == "ok"
    assert [item.run_name for item in result.repeatability[0].grubbs] == [run.name]


def test_without_grubbs_being_able_to_speak_nothing_is_told() -> None:
    (told,) = reviewed({"a": [0.0, 0.0], "b": [0.0, 0.001], "c": [0.0, 0.5]}).repeatability
    assert told.cochran is not None
    assert (told.cochran.scene, told.cochran.outcome, told.grubbs) == ("c", "outlier", ())


def test_the_straggler_left_after_outliers_were_put_aside_is_asked_as_well() -> None:
    logs = {**steady(8, n_runs=4), "worst": [0.0, 1.0, 2.0, 3.0], "odd": [0.0, 0.001, 0.0, 0.0064]}
    (told,) = reviewed(logs).repeatability
    assert [item.scene for item in told.grubbs] == ["worst", "odd"]
    assert [item.outcome for item in told.grubbs] == ["ok", "straggler"]
