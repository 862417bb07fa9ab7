"""Welch's test, two one-sided tests, Holm's adjustment and the geometric mean, against published numbers.

Where a value was recalled and recomputed rather than read in the original, the comment says so.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from frametime.review.cell_comparisons import decide
from frametime.statistics.differences import (
    Difference,
    LogMean,
    combined,
    holm_adjusted,
    log_mean,
    mean_difference,
    over_sample,
)

DATA = Path(__file__).parent / "data"


def compared(x: list[float] | NDArray[np.float64], y: list[float] | NDArray[np.float64]) -> Difference:
    """The functions take logs; here plain numbers stand for logs."""
    return mean_difference(log_mean(np.array(x, float)), log_mean(np.array(y, float)))


# Data set sleep (Student 1908) in R, and examples of R's t.test (tests/Examples/stats-Ex.Rout.save):
# t, degrees of freedom, p, 95 % interval.
SLEEP = (
    [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0],
    [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4],
)
WELCH = {
    "sleep": (*SLEEP, (-1.8608, 17.776, 0.07939, -3.3654832, 0.2054832)),
    "R example 1": (list(range(1, 11)), list(range(7, 21)), (-5.4349, 21.982, 1.855e-05, -11.052802, -4.947198)),
    "R example 2": (
        list(range(1, 11)),
        [*range(7, 21), 200],
        (-1.6329, 14.165, 0.1245, -47.242900, 6.376233),
    ),
}


@pytest.mark.parametrize("name", WELCH)
def test_welch_reproduces_published_examples(name: str) -> None:
    x, y, (t, df, p, low, high) = WELCH[name]
    found = compared(x, y)
    assert found.standard_error is not None
    assert found.value / found.standard_error == pytest.approx(t, abs=5e-5)
    assert found.degrees_of_freedom == pytest.approx(df, abs=5e-4)
    assert found.p_value == pytest.approx(p, rel=5e-4)
    assert found.bounds(0.95) == pytest.approx((low, high), abs=5e-7)


def test_welch_reproduces_the_nist_handbook_from_rounded_summaries() -> None:
    # NIST/SEMATECH e-Handbook 1.3.5.3 (AUTO83B), Welch form, as in the documentation of Boost.Math.
    sides = [
        LogMean(mean=mean, variance=sd**2 / n, degrees_of_freedom=n - 1, n_runs=n)
        for n, mean, sd in ((249, 20.14458, 6.4147), (79, 30.48101, 6.10771))
    ]
    found = mean_difference(*sides)
    assert found.standard_error is not None
    assert found.value / found.standard_error == pytest.approx(-12.94627, abs=2e-4)
    assert found.degrees_of_freedom == pytest.approx(136.87499, abs=5e-3)


# statsmodels 0.15.0, statsmodels/stats/tests/test_tost.py; the numbers printed there come from the R package
# equivalence: difference, standard error, degrees of freedom, p, 90 % interval.
TOST = {
    "var1": (
        *(0.1646666666666667, 0.2531625991083627, 26.7484787582315),
        *(0.04853083976236974, -0.2666862980722534, 0.596019631405587),
    ),
    "var2": (
        *(0.562666666666666, 0.2149871904637392, 24.11000151062728),
        *(0.4317936812594803, 0.194916250699966, 0.930417082633366),
    ),
}


@pytest.mark.parametrize("column", TOST)
def test_two_one_sided_tests_reproduce_a_published_example(column: str) -> None:
    with (DATA / "tost_clinic.csv").open(encoding="utf-8") as stream:
        values = [float(row[column]) for row in csv.DictReader(stream)]
    found = compared(values[:15], values[15:])
    difference, error, df, p, low, high = TOST[column]
    assert found.value == pytest.approx(difference, abs=1e-12)
    assert found.standard_error == pytest.approx(error, abs=1e-9)
    assert found.bounds(0.90) == pytest.approx((low, high), abs=1e-9)
    # The margin of the example is 0.6 in the unit of the data: as a difference of logs, that is a ratio of e^0.6.
    margin = math.expm1(0.6)
    # The p value of the two tests is where the interval of that level just reaches the margin.
    assert max(map(abs, found.bounds(1.0 - 2.0 * p) or ())) == pytest.approx(0.6, abs=1e-7)
    assert (decide(found, margin=margin).verdict == "tied") == (p < 0.05)
    assert found.degrees_of_freedom == pytest.approx(df, abs=1e-9)


def test_holm_reproduces_a_published_adjustment() -> None:
    # 15 p values of Benjamini and Hochberg 1995 with the step-down adjustment of R's p.adjust (first nine).
    p = [
        0.0001,
        0.0004,
        0.0019,
        0.0095,
        0.0201,
        0.0278,
        0.0298,
        0.0344,
        0.0459,
        0.324,
        0.4262,
        0.5719,
        0.6528,
        0.759,
        1,
    ]
    expected = [0.0015, 0.0056, 0.0247, 0.114, 0.2211, 0.278, 0.278, 0.278, 0.3213]
    assert holm_adjusted(p)[:9].tolist() == pytest.approx(expected, abs=1e-12)


def over_cells(candidate: Iterable[float], baseline: Iterable[float]) -> float:
    """The ratio over all cells as a review forms it."""
    pairs = list(zip(candidate, baseline, strict=True))
    terms = [
        (sign / len(pairs), log_mean(np.log([value])))
        for pair in pairs
        for sign, value in zip((1.0, -1.0), pair, strict=True)
    ]
    return math.exp(combined(terms).value)


def test_geometric_means_of_fleming_and_wallace() -> None:
    # CACM 29(3), 1986: times on R, M, Z. Recalled and recomputed: .86 and, from the recalled times, .85 (.84 printed).
    r, m, z = (417, 83, 66, 39449, 772), (244, 70, 153, 33527, 368), (134, 70, 135, 66000, 369)
    assert over_cells(m, r) == pytest.approx(0.86, abs=5.1e-3)
    assert over_cells(z, r) == pytest.approx(0.85, abs=5.1e-3)


@pytest.mark.parametrize(("reference", "expected"), [("B", (1.6733, 1.0, 0.6898)), ("C", (2.4258, 1.4497, 1.0))])
def test_geometric_means_of_null_and_lobur(reference: str, expected: tuple[float, ...]) -> None:
    # The Essentials of Computer Organization and Architecture, tables 10.4 and 10.5 (read in a stored copy).
    times = {"A": (50, 200, 250, 400, 5000), "B": (100, 400, 500, 800, 4100), "C": (500, 600, 500, 800, 3500)}
    found = [over_cells(times[reference], times[system]) for system in "ABC"]
    assert found == pytest.approx(expected, abs=5e-5)


@pytest.mark.parametrize("seed", range(20))
def test_welch_and_tost_agree_with_reference_libraries(seed: int) -> None:
    from scipy import stats
    from statsmodels.stats.weightstats import ttost_ind

    rng = np.random.default_rng(seed)
    x = rng.normal(0.01, 0.01, rng.integers(2, 8))
    y = rng.normal(0.0, 0.02, rng.integers(2, 8))
    found = compared(x, y)
    reference = stats.ttest_ind(x, y, equal_var=False)
    assert found.p_value == pytest.approx(reference.pvalue, rel=1e-9)
    assert found.degrees_of_freedom == pytest.approx(reference.df, rel=1e-9)
    interval = reference.confidence_interval(0.95)
    assert found.bounds(0.95) == pytest.approx((interval.low, interval.high), rel=1e-9)
    edge = math.log1p(0.03)
    p = float(ttost_ind(x, y, -edge, edge, usevar="unequal")[0])
    assert (decide(found, margin=0.03).verdict == "tied") == (p < 0.05)
    if p < 0.5:
        assert max(map(abs, found.bounds(1.0 - 2.0 * p) or ())) == pytest.approx(edge, rel=1e-7)


@pytest.mark.parametrize("seed", range(10))
def test_holm_agrees_with_a_reference_library(seed: int) -> None:
    from statsmodels.stats.multitest import multipletests

    p = np.random.default_rng(seed).beta(0.3, 2.0, 12)
    assert holm_adjusted(p) == pytest.approx(multipletests(p, method="holm")[1], rel=1e-12)


@pytest.mark.parametrize("seed", range(10))
def test_the_variance_from_groups_agrees_with_a_reference_library(seed: int) -> None:
    from statsmodels.regression.linear_model import OLS

    # Liang and Zeger's variance from clusters, which is this one where every group has as many values.
    rng = np.random.default_rng(seed)
    groups = rng.permutation(np.repeat(np.arange(5), 3))
    values = rng.normal(0.0, 1.0, 15) + groups
    found = over_sample(values.tolist(), groups.tolist())
    reference = OLS(values, np.ones(15)).fit(cov_type="cluster", cov_kwds={"groups": groups})
    assert found is not None
    assert found.value == pytest.approx(reference.params[0], rel=1e-12)
    assert found.standard_error == pytest.approx(reference.bse[0], rel=1e-9)
