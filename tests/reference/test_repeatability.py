"""Pooled standard deviation, Cochran's and Grubbs's tests, against ISO 5725-2, ASTM E691 and NIST reference data."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from frametime.statistics.repeatability import (
    REPEATABILITY_FACTOR,
    cochran_critical,
    cochran_test,
    grubbs_critical,
    grubbs_test,
    pooled_spread,
)

DATA = Path(__file__).parent / "data"


def rows(name: str) -> Iterator[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8", newline="") as stream:
        yield from csv.DictReader(stream)


def groups(name: str, where: tuple[str, str], by: str, value: str) -> list[NDArray[np.float64]]:
    found: dict[str, list[float]] = {}
    for row in rows(name):
        if row[where[0]] == where[1]:
            found.setdefault(row[by], []).append(float(row[value]))
    return [np.array(values) for values in found.values()]


# NIST/ITL StRD, one-way analysis of variance: certified within sum of squares and residual standard deviation,
# and the digits that a plain two-pass computation can reach (SmLs04 and SmLs07 lose 6 and 12 leading digits).
STRD = {
    "SiRstv": (0.21663656, 0.104076068334656, 12),
    "AtmWtAg": (1.04951729166667e-08, 1.5104831444641e-05, 9),
    "SmLs01": (1.8, 0.1, 13),
    "SmLs04": (1.8, 0.1, 9),
    "SmLs07": (1.8, 0.1, 3.5),
}


@pytest.mark.parametrize("dataset", STRD)
def test_pooled_spread_is_the_certified_residual_standard_deviation(dataset: str) -> None:
    within, residual, digits = STRD[dataset]
    found = pooled_spread(groups("nist_strd/anova.csv", ("dataset", dataset), "treatment", "y"))
    assert found is not None
    assert found.variance * found.degrees_of_freedom == pytest.approx(within, rel=10.0**-digits)
    assert found.standard_deviation == pytest.approx(residual, rel=10.0**-digits)


# ISO 5725-2:1994, annex B.1, sulfur content of coal: s_r of each level, unequal replicates, nothing excluded.
# Input table and results are recalled; they agree with each other to every printed digit.
@pytest.mark.parametrize(("level", "s_r"), [("1", 0.015), ("2", 0.029), ("3", 0.017), ("4", 0.026)])
def test_the_iso_example_of_coal(level: str, s_r: float) -> None:
    found = pooled_spread(groups("iso5725_2_coal_sulfur.csv", ("level", level), "lab", "sulfur_percent"))
    assert found is not None
    assert found.standard_deviation == pytest.approx(s_r, abs=5.1e-4)


# ASTM E691 glucose, as printed in the documentation of the R package ILS: S_r of materials A to E.
@pytest.mark.parametrize(
    ("material", "s_r"), [("A", 1.063224), ("B", 1.496071), ("C", 2.750879), ("D", 2.625065), ("E", 3.934974)]
)
def test_the_glucose_example_from_its_cell_deviations(material: str, s_r: float) -> None:
    # Three values with the printed standard deviation stand for each laboratory.
    deviations = [float(row["cell_sd"]) for row in rows("e691_glucose_cells.csv") if row["material"] == material]
    found = pooled_spread([np.array([-sd, 0.0, sd]) for sd in deviations])
    assert found is not None
    assert found.standard_deviation == pytest.approx(s_r, abs=1e-5)


# ISO 5725-2:1994, table 4, 5 % column; recalled, all but one cell round correctly from the formula (p = 8, n = 6).
COCHRAN = {
    2: (None, 0.975, 0.939, 0.906, 0.877),
    3: (0.967, 0.871, 0.798, 0.746, 0.707),
    4: (0.906, 0.768, 0.684, 0.629, 0.590),
    5: (0.841, 0.684, 0.598, 0.544, 0.506),
    6: (0.781, 0.616, 0.532, 0.480, 0.445),
    7: (0.727, 0.561, 0.480, 0.431, 0.397),
    8: (0.680, 0.516, 0.438, 0.391, 0.360),
    9: (0.638, 0.478, 0.403, 0.358, 0.329),
    10: (0.602, 0.445, 0.373, 0.331, 0.303),
}


@pytest.mark.parametrize("n_sets", COCHRAN)
def test_cochrans_table(n_sets: int) -> None:
    for n_runs, expected in zip(range(2, 7), COCHRAN[n_sets], strict=True):
        if expected is not None:
            assert cochran_critical(n_sets, n_runs, alpha=0.05) == pytest.approx(expected, abs=1.1e-3)


# ISO 5725-2:1994, table 5, one largest or one smallest, 5 % and 1 %; recalled and recomputed.
GRUBBS_5 = {3: 1.155, 4: 1.481, 5: 1.715, 6: 1.887, 7: 2.020, 8: 2.126, 9: 2.215, 10: 2.290, 15: 2.549, 20: 2.709}
GRUBBS_1 = {3: 1.155, 4: 1.496, 5: 1.764, 6: 1.973, 7: 2.139, 8: 2.274, 9: 2.387, 10: 2.482}


def test_grubbs_table() -> None:
    for n, expected in GRUBBS_5.items():
        assert grubbs_critical(n, alpha=0.025) == pytest.approx(expected, abs=1.1e-3)
    for n, expected in GRUBBS_1.items():
        assert grubbs_critical(n, alpha=0.005) == pytest.approx(expected, abs=1.1e-3)


def test_grubbs_example_of_the_nist_handbook() -> None:
    # NIST/SEMATECH e-Handbook 1.3.5.17.1, data of Tietjen and Moore 1972; the printed G is truncated.
    values = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
    found = grubbs_test(values)
    assert found is not None
    assert (found.statistic, found.at) == (pytest.approx(2.4687, abs=7e-5), 7)
    # ISO 5725-2:1994, table 5, eight values: 2.126 at 5 %, 2.274 at 1 %.
    assert (found.critical_5pct, found.critical_1pct) == (
        pytest.approx(GRUBBS_5[8], abs=1.1e-3),
        pytest.approx(GRUBBS_1[8], abs=1.1e-3),
    )
    assert found.outcome == "outlier"
    assert grubbs_critical(8, alpha=0.05) == pytest.approx(2.032, abs=5e-4)


def test_the_repeatability_limit() -> None:
    # ISO 5725-6:1994, 4.1: 1.96 times root 2, rounded up to 2.8.
    from scipy import stats

    assert pytest.approx(stats.norm.isf(0.025) * math.sqrt(2.0), abs=0.05) == REPEATABILITY_FACTOR


def test_cochran_statistic_by_hand() -> None:
    # Variances 1, 1 and 4: 4 of 6.
    found = cochran_test([np.array([0.0, 1.0, 2.0]), np.array([5.0, 6.0, 7.0]), np.array([1.0, 3.0, 5.0])])
    assert found is not None
    assert (found.statistic, found.at) == (pytest.approx(4.0 / 6.0), 2)
