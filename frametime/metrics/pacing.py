"""Pacing: how evenly frames follow one another."""

from __future__ import annotations

from collections.abc import Callable
from math import fsum, sqrt
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.block_medians import median_in_place

# Powers of 15/16 over one block: 4096 of them span 115 orders of magnitude, far inside the range of float64.
_JITTER_BLOCK: Final = 4096
_JITTER_DECAY: Final = 15.0 / 16.0
_JITTER_DECAYS: Final = _JITTER_DECAY ** np.arange(_JITTER_BLOCK)
_JITTER_GROWTHS: Final = 1.0 / (16.0 * _JITTER_DECAYS)
_AT_ONCE: Final = 1 << 16
"""Terms that are summed together: they stay in the processor's cache."""


def variance_ms2(frame_times_ms: NDArray[np.float64]) -> float:
    """Sample variance of the frame times, divisor ``n - 1``, in ms².

    Two passes with the correction for the rounding of the mean [1]_.

    Parameters
    ----------
    frame_times_ms : ndarray of float64, shape (n_frames,)
        Two or more.

    References
    ----------
    .. [1] T. F. Chan, G. H. Golub and R. J. LeVeque, "Algorithms for computing the sample variance", The American
       Statistician 37(3), 242-247, 1983.

    Examples
    --------
    >>> variance_ms2(np.array([10.0, 12.0, 14.0]))
    4.0
    """
    n = _count(frame_times_ms)
    deviations = frame_times_ms - frame_times_ms.mean()
    rest = float(deviations.sum())
    return (float(np.square(deviations, out=deviations).sum()) - rest * rest / n) / (n - 1)


def rmssd_ms(frame_times_ms: NDArray[np.float64]) -> float:
    """Root mean square of the differences from each frame time to the next [1]_.

    Slow changes over the run hardly move it, unlike the variance.

    Parameters
    ----------
    frame_times_ms : ndarray of float64, shape (n_frames,)
        Two or more.

    References
    ----------
    .. [1] J. von Neumann, R. H. Kent, H. R. Bellinson and B. I. Hart, "The mean square successive difference", Annals
       of Mathematical Statistics 12(2), 153-162, 1941 (title and pages from memory).

    Examples
    --------
    >>> rmssd_ms(np.array([10.0, 13.0, 9.0]))
    3.5355339059327378
    """
    n = _count(frame_times_ms)
    return sqrt(_sum(n - 1, lambda low, high: np.square(np.diff(frame_times_ms[low : high + 1]))) / (n - 1))


def masd_ms(frame_times_ms: NDArray[np.float64]) -> float:
    """Mean absolute difference from each frame time to the next, in ms.

    Parameters
    ----------
    frame_times_ms : ndarray of float64, shape (n_frames,)
        Two or more.

    Examples
    --------
    >>> masd_ms(np.array([10.0, 13.0, 9.0]))
    3.5
    """
    n = _count(frame_times_ms)
    return _sum(n - 1, lambda low, high: np.abs(np.diff(frame_times_ms[low : high + 1]))) / (n - 1)


def lag1_autocorrelation(values: NDArray[np.float64]) -> float:
    """Lag-1 autocorrelation: ``sum (x_i - m)(x_(i+1) - m) / sum (x_i - m)²`` [1]_.

    Near -1 when short and long frames alternate, near 0 when frames are independent, near 1 when they wander.

    Parameters
    ----------
    values : ndarray of float64, shape (n,)
        Two or more, not all equal.

    Raises
    ------
    ValueError
        If there are fewer than two values, or all are equal: the quotient is 0 / 0 then.

    References
    ----------
    .. [1] NIST Statistical Reference Datasets, univariate summary statistics: certified lag-1 autocorrelation.

    Examples
    --------
    >>> lag1_autocorrelation(np.array([8.0, 12.0, 8.0, 12.0]))
    -0.75
    """
    n = _count(values)
    deviations = values - values.mean()
    if not (squares := _sum(n, lambda low, high: np.square(deviations[low:high]))):
        raise ValueError("values must not all be equal")
    return _sum(n - 1, lambda low, high: deviations[low:high] * deviations[low + 1 : high + 1]) / squares


class Jitter(NamedTuple):
    """The running jitter estimate of a run: its value after the last frame, and its median over the frames."""

    last_ms: float
    median_ms: float


def jitter(frame_times_ms: NDArray[np.float64]) -> Jitter:
    """Running jitter of the frame times.

    A frame has no time at which it was sent, so the frame time before it stands for the spacing that was due: ``D`` is
    the difference from one frame time to the next. See `running_jitter` for the estimate.

    Parameters
    ----------
    frame_times_ms : ndarray of float64, shape (n_frames,)
        Two or more.

    Examples
    --------
    >>> jitter(np.array([10.0, 11.0, 9.0]))
    Jitter(last_ms=0.18359375, median_ms=0.123046875)
    """
    _count(frame_times_ms)
    steps_ms = np.diff(frame_times_ms)
    jitters_ms = running_jitter(steps_ms, out=steps_ms)
    return Jitter(last_ms=float(jitters_ms[-1]), median_ms=median_in_place(jitters_ms))


def running_jitter(differences: NDArray[np.float64], *, out: NDArray[np.float64] | None = None) -> NDArray[np.float64]:
    """Interarrival jitter ``J += (|D| - J) / 16``, from ``J = 0``, after each difference ``D`` [1]_.

    Unrolled over a block, ``J_i`` is ``a**i`` times a running sum of ``|D_k| / 16 / a**k`` with ``a = 15/16``. All
    terms are positive, so nothing cancels and the running sum keeps the precision of the step-by-step formula.

    Parameters
    ----------
    differences : ndarray of float64, shape (n,)
        Spacing at which something arrived minus the spacing that was due.
    out : ndarray of float64, shape (n,), optional
        Where the estimates are put: the differences themselves, where they are no longer needed.

    Returns
    -------
    ndarray of float64, shape (n,)

    References
    ----------
    .. [1] H. Schulzrinne et al., RFC 3550, section 6.4.1 and appendix A.8, 2003.

    Examples
    --------
    >>> running_jitter(np.array([1.0, -2.0])).tolist()
    [0.0625, 0.18359375]
    """
    jitters, carried = np.abs(differences, out=out), 0.0
    for start in range(0, jitters.size, _JITTER_BLOCK):
        block = jitters[start : start + _JITTER_BLOCK]
        block *= _JITTER_GROWTHS[: block.size]
        block[0] += _JITTER_DECAY * carried
        np.cumsum(block, out=block)
        block *= _JITTER_DECAYS[: block.size]
        carried = float(block[-1])
    return jitters


def overlapping_allan_deviation(
    phases: NDArray[np.int64] | NDArray[np.float64], *, averaged: int, tau0: float
) -> float:
    """Overlapping Allan deviation at an averaging time of ``averaged * tau0`` [1]_.

    ``sqrt(sum (x_(i+2m) - 2 x_(i+m) + x_i)² / (2 (N - 2m))) / (m tau0)``: by how much the mean over ``m`` intervals
    differs from the mean over the ``m`` before it, as a share of the interval. Applied to the timestamps of frames,
    with their mean frame time as ``tau0``, it is a plain ratio: 0.01 is a hundredth of the mean frame time.

    Parameters
    ----------
    phases : ndarray of int64 or float64, shape (N,)
        Time error or plain timestamps (a constant rate drops out of the second difference), N > 2 * averaged.
    averaged : int
        m, number of intervals averaged, 1 or more.
    tau0 : float
        Basic interval, in the unit of the phases, > 0.

    Returns
    -------
    float

    References
    ----------
    .. [1] W. J. Riley, "Handbook of Frequency Stability Analysis", NIST Special Publication 1065, 2008, section 5.2.4
       (section number from memory).

    Examples
    --------
    >>> round(overlapping_allan_deviation(np.array([0, 10, 22, 32]), averaged=1, tau0=10.0), 6)
    0.141421
    """
    n_terms = phases.size - 2 * averaged
    if averaged < 1 or n_terms < 1:
        raise ValueError(f"averaged must be 1 or more and below half of {phases.size} phases, got {averaged!r}")
    if not tau0 > 0.0:
        raise ValueError(f"tau0 must be positive, got {tau0!r}")

    def squares(low: int, high: int) -> NDArray[np.float64]:
        # Two differences of neighbours, as integers: absolute nanoseconds neither overflow nor lose digits.
        steps = phases[low + averaged : high + 2 * averaged] - phases[low : high + averaged]
        return np.square(steps[averaged:] - steps[:-averaged], dtype=np.float64)

    return sqrt(_sum(n_terms, squares) / (2.0 * n_terms)) / (averaged * tau0)


def _sum(n: int, terms: Callable[[int, int], NDArray[np.float64]]) -> float:
    """Sum of ``n`` terms, which are made from one place to another."""
    return fsum(float(terms(low, min(low + _AT_ONCE, n)).sum()) for low in range(0, n, _AT_ONCE))


def _count(values: NDArray[np.float64]) -> int:
    """How many there are; a single value has no spread and no neighbor."""
    if values.size < 2:
        raise ValueError(f"2 values or more are needed, got {values.size!r}")
    return int(values.size)
