"""The verdict rule, case by case and by its laws."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from frametime.review.cell_comparisons import decide, runs_needed
from frametime.review.result_tables import Verdict
from frametime.statistics.differences import (
    Difference,
    combined,
    geometric_mean,
    log_mean,
    mean_difference,
    over_sample,
)
from frametime.statistics.distributions import t_quantile
from frametime.statistics.repeatability import pooled_spread

T_90, T_95 = t_quantile(0.95, 10), t_quantile(0.975, 10)
EDGE = math.log1p(0.03)
RUNS = st.lists(st.floats(-0.2, 0.2), min_size=2, max_size=6)


def difference(value: float, half_95: float) -> Difference:
    """A difference whose 95 % interval has a given half width."""
    return Difference(value=value, standard_error=half_95 / T_95, degrees_of_freedom=10)


@pytest.mark.parametrize(
    ("value", "half_95", "verdict", "small"),
    [
        (0.05, 0.02, "ahead", False),
        (0.05, 0.051, "undecided", False),  # the interval takes in 1
        (0.029, 0.01, "undecided", False),  # above 1, but not beyond the margin
        (EDGE + 1e-9, 0.001, "ahead", False),
        (EDGE - 1e-9, 0.001, "undecided", False),
        (-0.05, 0.02, "behind", False),
        (-0.029, 0.01, "undecided", False),
        (0.0, 0.02, "tied", False),
        (0.015, 0.01, "tied", True),
        (-0.015, 0.01, "tied", True),
        (0.0, 0.05, "undecided", False),
    ],
)
def test_the_rule_case_by_case(value: float, half_95: float, verdict: Verdict, small: bool) -> None:
    found = decide(difference(value, half_95), margin=0.03)
    assert (found.verdict, found.real_but_small) == (verdict, small)


def test_tied_goes_by_the_90_percent_interval_to_the_digit() -> None:
    inside = EDGE / T_90 * T_95
    assert decide(difference(0.0, inside * 0.999999), margin=0.03).verdict == "tied"
    assert decide(difference(0.0, inside * 1.000001), margin=0.03).verdict == "undecided"


def test_without_a_scatter_nothing_is_decided() -> None:
    single = log_mean(np.array([0.5]))
    found = mean_difference(single, single)
    assert found.standard_error is None
    assert found.bounds(0.95) is None
    assert decide(found, margin=0.03).verdict == "undecided"
    assert found.p_value is None


def test_runs_that_agree_to_the_last_digit_give_no_interval() -> None:
    same = log_mean(np.array([1.0, 1.0, 1.0]))
    assert mean_difference(same, log_mean(np.array([2.0, 2.0]))).standard_error is None


@given(x=RUNS, y=RUNS, margin=st.floats(0.005, 0.2))
def test_seen_from_the_other_side_the_verdict_is_the_opposite(x: list[float], y: list[float], margin: float) -> None:
    one, other = log_mean(np.array(x)), log_mean(np.array(y))
    forward = decide(mean_difference(one, other), margin=margin)
    backward = decide(mean_difference(other, one), margin=margin)
    turned = {"ahead": "behind", "behind": "ahead"}
    assert backward.verdict == turned.get(forward.verdict, forward.verdict)
    assert backward.real_but_small == forward.real_but_small


@given(x=RUNS, y=RUNS, shift=st.floats(-3.0, 3.0))
def test_a_common_factor_on_both_sides_changes_nothing(x: list[float], y: list[float], shift: float) -> None:
    plain = mean_difference(log_mean(np.array(x)), log_mean(np.array(y)))
    shifted = mean_difference(log_mean(np.array(x) + shift), log_mean(np.array(y) + shift))
    assert shifted.value == pytest.approx(plain.value, abs=1e-12)
    if plain.standard_error is not None and plain.standard_error > 1e-6:
        assert shifted.standard_error == pytest.approx(plain.standard_error, rel=1e-6)


@given(x=RUNS, y=RUNS, margin=st.floats(0.005, 0.2))
def test_tied_says_the_same_as_the_p_value_of_the_two_tests(x: list[float], y: list[float], margin: float) -> None:
    found = mean_difference(log_mean(np.array(x)), log_mean(np.array(y)))
    if found.standard_error is None:
        return
    # The larger of Schuirmann's two p values is that of the nearer edge.
    nearer = (math.log1p(margin) - abs(found.value)) / found.standard_error
    p = float(stats.t.sf(nearer, found.degrees_of_freedom))
    if abs(p - 0.05) > 1e-9:
        assert (decide(found, margin=margin).verdict == "tied") == (p < 0.05)


@given(x=RUNS, y=RUNS)
def test_degrees_of_freedom_lie_between_those_of_the_smaller_side_and_of_both(x: list[float], y: list[float]) -> None:
    found = mean_difference(log_mean(np.array(x)), log_mean(np.array(y)))
    if found.standard_error is not None:
        least, most = min(len(x), len(y)) - 1, len(x) + len(y) - 2
        assert least - 1e-9 <= found.degrees_of_freedom <= most + 1e-9


def test_a_pooled_scatter_that_several_cells_share_is_counted_once() -> None:
    pooled = pooled_spread([np.array([0.0, 0.01, 0.02])])
    assert pooled is not None
    cells = [log_mean([0.1 * at]).with_scatter(pooled, "amber") for at in range(8)]
    together = combined([(1.0 / 8.0, cell) for cell in cells])
    assert together.degrees_of_freedom == pytest.approx(2.0)
    assert together.standard_error == pytest.approx(0.01 / math.sqrt(8.0))
    apart = combined([(1.0 / 8.0, log_mean(np.array([0.0, 0.01, 0.02]))) for _ in range(8)])
    assert apart.degrees_of_freedom == pytest.approx(16.0)


def test_runs_needed_grows_toward_the_margin_and_then_says_so() -> None:
    variance = 0.01**2
    needed = [
        runs_needed(value, candidate_variance=variance, baseline_variance=variance, margin=0.03)
        for value in (0.0, 0.015, 0.02, 0.0293, EDGE, 0.0298, 0.04, 0.08)
    ]
    counts = [item.n_runs for item in needed]
    assert counts[0] is not None and counts[1] is not None and counts[2] is not None
    assert counts[0] <= counts[1] <= counts[2]
    assert needed[3].at_margin and needed[4].at_margin and needed[5].at_margin
    assert counts[6] is not None and counts[7] is not None
    assert counts[7] <= counts[6]


def test_that_many_runs_do_decide_about_four_times_in_five() -> None:
    rng = np.random.default_rng(5)
    for truth in (0.0, 0.01, 0.06):
        found = runs_needed(truth, candidate_variance=0.02**2, baseline_variance=0.02**2, margin=0.03)
        assert found.n_runs is not None
        verdicts = [
            decide(
                mean_difference(
                    log_mean(truth + 0.02 * rng.standard_normal(found.n_runs)),
                    log_mean(0.02 * rng.standard_normal(found.n_runs)),
                ),
                margin=0.03,
            ).verdict
            for _ in range(400)
        ]
        right = verdicts.count("tied" if truth < EDGE else "ahead") / len(verdicts)
        # 0.8 or, as runs are whole numbers, somewhat more; 400 trials have a standard error of 0.02.
        assert 0.75 <= right <= 0.93, (truth, found, right)


@given(st.lists(st.floats(0.2, 5.0), min_size=1, max_size=8))
def test_the_geometric_mean_does_not_depend_on_the_reference(ratios: list[float]) -> None:
    forward = geometric_mean([math.log(ratio) for ratio in ratios])
    assert forward * geometric_mean([math.log(1.0 / ratio) for ratio in ratios]) == pytest.approx(1.0, rel=1e-12)
    assert min(ratios) * (1 - 1e-12) <= forward <= max(ratios) * (1 + 1e-12)


def test_with_one_cell_a_scene_the_sample_is_the_t_interval_over_cells() -> None:
    values = [0.01, 0.03, -0.02, 0.05]
    found = over_sample(values, ["a", "b", "c", "d"])
    assert found is not None
    expected = stats.t.interval(0.95, 3, np.mean(values), stats.sem(values))
    assert found.bounds(0.95) == pytest.approx(expected, rel=1e-9)


def test_repeating_a_scene_at_other_resolutions_does_not_make_the_sample_larger() -> None:
    values, scenes = [0.01, 0.03, -0.02], ["a", "b", "c"]
    once, thrice = over_sample(values, scenes), over_sample(values * 3, scenes * 3)
    assert once is not None and thrice is not None
    assert thrice.bounds(0.95) == pytest.approx(once.bounds(0.95), rel=1e-12)


def test_one_scene_is_no_sample() -> None:
    assert over_sample([0.01, 0.02], ["a", "a"]) is None
