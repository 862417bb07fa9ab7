"""Mean, standard deviation and lag-1 autocorrelation of the NIST Statistical Reference Datasets.

Source: NIST/ITL StRD, univariate summary statistics, certified values in the header of each .dat file (data and values
from stored copies, see data/README.md). NumAcc3 and NumAcc4 test cancellation: their inputs are rounded to double
precision already, so fewer digits can be reached. The digits asked for lie a little below those that a plain two-pass
computation reaches.
"""

from __future__ import annotations

from math import log10, sqrt
from pathlib import Path

import numpy as np
import pytest

from frametime.metrics.pacing import lag1_autocorrelation, variance_ms2

FOLDER = Path(__file__).parent / "data" / "nist_strd"

# name: number of values; certified mean, standard deviation (divisor n - 1), lag-1 autocorrelation; digits to reach.
CERTIFIED = {
    "PiDigits": (5000, (4.5348, 2.86733906028871, -0.00355099287237972), (14, 14, 13)),
    "Lottery": (218, (518.95871559633, 291.699727470969, -0.120948622967393), (13, 14, 14)),
    "Lew": (200, (-177.435, 277.332168044316, -0.307304800605679), (14, 14, 14)),
    "Mavro": (50, (2.001856, 0.000429123454003053, 0.937989183438248), (15, 13, 14)),
    "Michelso": (100, (299.8524, 0.0790105478190518, 0.535199668621283), (15, 13, 13)),
    "NumAcc1": (3, (10000002.0, 1.0, -0.5), (15, 15, 15)),
    "NumAcc2": (1001, (1.2, 0.1, -0.999), (14, 14, 14)),
    "NumAcc3": (1001, (1000000.2, 0.1, -0.999), (15, 9, 10)),
    "NumAcc4": (1001, (10000000.2, 0.1, -0.999), (15, 8, 10)),
}


def digits(found: float, certified: float) -> float:
    """Correct significant digits, as StRD counts them: -log10 of the relative error."""
    return 17.0 if found == certified else -log10(abs(found - certified) / abs(certified))


@pytest.mark.parametrize("name", CERTIFIED)
def test_certified_values(name: str) -> None:
    n, (mean, sd, autocorrelation), (mean_digits, sd_digits, autocorrelation_digits) = CERTIFIED[name]
    values = np.loadtxt(FOLDER / f"{name}.csv", skiprows=1)
    assert values.size == n
    assert digits(float(values.mean()), mean) >= mean_digits
    assert digits(sqrt(variance_ms2(values)), sd) >= sd_digits
    assert digits(lag1_autocorrelation(values), autocorrelation) >= autocorrelation_digits
