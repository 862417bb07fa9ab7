"""Overlapping Allan deviation of the two test suites of the handbook, and against another implementation.

Source: W. J. Riley, Handbook of Frequency Stability Analysis, NIST SP 1065, 2008, section 12.4, tables 30 and 31, as
carried in the test suite tests/nbs14 of the allantools library (stored copy; the handbook itself was not read).
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from frametime.metrics.pacing import overlapping_allan_deviation, rmssd_ms

NINE_POINTS = np.array([892, 809, 823, 798, 671, 644, 883, 903, 677])
NINE_POINT_DEVIATIONS = {1: 91.22945, 2: 85.95287}
THOUSAND_POINT_DEVIATIONS = {1: 0.2922319, 10: 0.09159953, 100: 0.03241343}


def phases_of(frequencies: NDArray[np.generic]) -> NDArray[np.generic]:
    return np.concatenate([[0], np.cumsum(frequencies)])


def thousand_points() -> NDArray[np.float64]:
    """n(i + 1) = 16807 n(i) mod 2147483647 from 1234567890, divided by the modulus."""
    integers = [1234567890]
    while len(integers) < 1000:
        integers.append(16807 * integers[-1] % 2147483647)
    assert integers[1:4] == [395529916, 1209410747, 633705974]
    return np.array(integers) / 2147483647


@pytest.mark.parametrize(("averaged", "expected"), NINE_POINT_DEVIATIONS.items())
def test_nine_points(averaged: int, expected: float) -> None:
    found = overlapping_allan_deviation(phases_of(NINE_POINTS), averaged=averaged, tau0=1.0)
    assert found == pytest.approx(expected, abs=6e-6)


@pytest.mark.parametrize(("averaged", "expected"), THOUSAND_POINT_DEVIATIONS.items())
def test_thousand_points(averaged: int, expected: float) -> None:
    found = overlapping_allan_deviation(phases_of(thousand_points()), averaged=averaged, tau0=1.0)
    assert found == pytest.approx(expected, rel=5e-7)


def test_frequencies_times_the_basic_interval() -> None:
    """The same nine points as nanoseconds, at absolute times that float64 cannot hold: the ratio stays the same."""
    stamps_ns = 1_790_000_000_000_000_001 + phases_of(NINE_POINTS)
    found = overlapping_allan_deviation(stamps_ns, averaged=2, tau0=10.0)
    assert 10.0 * found == pytest.approx(NINE_POINT_DEVIATIONS[2], abs=6e-6)


def test_agrees_with_allantools() -> None:
    allantools = pytest.importorskip("allantools")
    frame_times_s = np.random.default_rng(4).lognormal(-4.8, 0.2, 5000)
    mean_s = float(frame_times_s.mean())
    _, expected, _, counts = allantools.oadev(
        frame_times_s / mean_s, rate=1.0 / mean_s, data_type="freq", taus=np.array([1, 10, 100]) * mean_s
    )
    assert counts.tolist() == [4999, 4981, 4801]
    found = [
        overlapping_allan_deviation(phases_of(frame_times_s), averaged=averaged, tau0=mean_s)
        for averaged in (1, 10, 100)
    ]
    assert found == pytest.approx(expected.tolist(), rel=1e-9)


def test_over_one_interval_it_is_the_successive_difference() -> None:
    """Identity: RMSSD is sqrt(2) times the Allan deviation at the basic interval."""
    found = overlapping_allan_deviation(phases_of(NINE_POINTS), averaged=1, tau0=1.0)
    assert np.sqrt(2.0) * found == pytest.approx(rmssd_ms(NINE_POINTS.astype(float)), rel=1e-14)
