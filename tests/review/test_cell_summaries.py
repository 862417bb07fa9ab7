"""The mean of a metric over runs and its interval."""

from __future__ import annotations

import math

import numpy as np
import pytest
from example_result import METRICS, design, placed_run
from hypothesis import given
from hypothesis import strategies as st

from frametime.review.cell_summaries import estimate
from frametime.review.reviewing import review_runs
from frametime.statistics.repeatability import PooledSpread

KEY = "average_fps"


@pytest.mark.parametrize("seed", range(8))
def test_the_interval_agrees_with_a_reference_library(seed: int) -> None:
    from scipy import stats

    logs = np.random.default_rng(seed).normal(4.0, 0.02, seed + 2)
    found = estimate(KEY, np.exp(logs).tolist(), level=0.9)
    low, high = stats.t.interval(0.9, logs.size - 1, logs.mean(), stats.sem(logs))
    assert found.interval is not None
    assert found.value == pytest.approx(math.exp(logs.mean()))
    assert (found.interval.low, found.interval.high) == pytest.approx((math.exp(low), math.exp(high)))
    assert found.standard_deviation_log == pytest.approx(np.std(logs, ddof=1))


def test_the_interval_of_a_handbook_example() -> None:
    # NIST/SEMATECH e-Handbook 1.3.5.2 (ZARR13): 195 values, mean 9.26146, sd 0.022789, 95 % 9.258242 to 9.264679.
    half = 0.022789 * math.sqrt(194.0 / 194.0)
    values = np.concatenate([np.full(97, -1.0), np.full(97, 1.0), [0.0]]) * half + 9.26146
    found = estimate(KEY, np.exp(values).tolist())
    assert found.interval is not None
    assert math.log(found.interval.low) == pytest.approx(9.258242, abs=1.5e-6)
    assert math.log(found.interval.high) == pytest.approx(9.264679, abs=1.5e-6)


def test_a_pooled_scatter_gives_a_single_run_its_interval() -> None:
    pooled = PooledSpread(variance=0.01**2, degrees_of_freedom=30, n_sets=15)
    found = estimate(KEY, [100.0], stand_in=pooled, rule="pooled")
    assert found.interval is not None
    assert math.log(found.interval.high / 100.0) == pytest.approx(0.01 * 2.0423, abs=1e-5)
    assert "pooled" in found.interval.method


@given(st.lists(st.floats(0.1, 1e4), min_size=2, max_size=8), st.floats(0.01, 100.0))
def test_another_unit_scales_value_and_interval(values: list[float], factor: float) -> None:
    one, other = estimate(KEY, values), estimate(KEY, [value * factor for value in values])
    assert one.value is not None
    assert other.value == pytest.approx(one.value * factor, rel=1e-9)
    if one.interval is not None and other.interval is not None and one.interval.high / one.interval.low > 1.0001:
        assert other.interval.low == pytest.approx(one.interval.low * factor, rel=1e-6)


@pytest.mark.parametrize(
    ("values", "code"),
    [
        ([], None),
        ([None], "runs-without-value"),
        ([5.0], "one-run"),
        ([0.0, 1.0], "plain-mean"),
        ([3.0, 3.0], "no-scatter"),
    ],
)
def test_no_interval_without_a_word(values: list[float | None], code: str | None) -> None:
    found = estimate(KEY, values)
    if code is None:
        assert found.value is None
    else:
        assert code in {caveat.code for caveat in found.caveats}
    if code != "plain-mean":
        assert found.interval is None


@pytest.mark.parametrize(("values", "least"), [([0.0, 0.0, 1.5], 0.0), ([-0.5, 0.0, 1.5], -float("inf"))])
def test_a_count_that_is_never_below_zero_has_no_interval_below(values: list[float], least: float) -> None:
    found = estimate("stutter_per_min", values)
    assert found.interval is not None
    assert found.interval.low == least or (least < 0.0 and found.interval.low < -0.5)


def test_runs_that_differ_by_orders_of_magnitude_give_no_interval() -> None:
    found = estimate(KEY, [1.0, 1000.0])
    assert found.interval is None
    assert [caveat.code for caveat in found.caveats] == ["too-wide"]


@pytest.mark.parametrize("baseline", ["amber-6", "birch-9", "cedar-12"])
def test_wherever_the_baseline_stands_in_the_plan_standings_and_comparisons_agree(baseline: str) -> None:
    """Pairs are made in the order of the plan; the ratio to the baseline is turned with its interval where needed."""
    cards = ("amber-6", "birch-9", "cedar-12")
    levels = {"amber-6": [100.0, 101.0, 99.0], "birch-9": [112.0, 113.0, 111.0], "cedar-12": [90.0, 91.0, 89.5]}
    runs = [
        placed_run(card, "harbor", "1440p", str(number), {KEY: value})
        for card in cards
        for number, value in enumerate(levels[card])
    ]
    asked = design(cards, ("harbor",), ("1440p",), metrics=METRICS[:1], baseline=baseline)
    result = review_runs(asked, runs)
    overall = {item.candidate: item for item in result.overall}
    for standing in result.standings:
        if standing.card == baseline:
            assert (standing.ratio_to_baseline, standing.interval) == (1.0, None)
            continue
        bounds, expected = standing.interval, overall[standing.card].interval_these_scenes
        assert standing.ratio_to_baseline == pytest.approx(overall[standing.card].ratio)
        assert bounds is not None and expected is not None
        assert (bounds.low, bounds.high) == pytest.approx((expected.low, expected.high))
    assert [standing.card for standing in result.standings] == ["birch-9", "amber-6", "cedar-12"]
