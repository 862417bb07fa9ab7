"""How many frames a second, and how long frames take: average rate, quantiles, and lows by three definitions."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from math import floor
from typing import Final

import numpy as np
from numpy.typing import NDArray

from frametime.units import ms_to_fps

QUANTILE_NAMES: Final = {
    1: "inverse of the empirical distribution",
    2: "inverse of the empirical distribution, averaged at its steps",
    3: "nearest even order statistic",
    4: "linear interpolation of the empirical distribution",
    5: "Hazen",
    6: "Weibull",
    7: "linear interpolation between order statistics",
    8: "median-unbiased",
    9: "normal-unbiased",
}
"""Types of Hyndman and Fan by number."""

# Plotting positions of the continuous types: the quantile p lies at place n p + m, m = alpha + p (1 - alpha - beta),
# and alpha equals beta for all of them except type 4.
_ALPHA_BETA: Final = {
    4: (Fraction(0), Fraction(1)),
    5: (Fraction(1, 2), Fraction(1, 2)),
    6: (Fraction(0), Fraction(0)),
    7: (Fraction(1), Fraction(1)),
    8: (Fraction(1, 3), Fraction(1, 3)),
    9: (Fraction(3, 8), Fraction(3, 8)),
}
_PARTS: Final = 24
_IN_PARTS: Final = {key: (int(_PARTS * a), int(_PARTS * (1 - a - b))) for key, (a, b) in _ALPHA_BETA.items()}
"""``alpha`` and ``1 - alpha - beta`` in 24ths: whole numbers are as exact as fractions, in a tenth of the time."""


def average_fps(n_frames: int, duration_s: float) -> float:
    """Frames divided by time: ``n / T``.

    It is the harmonic mean of the rates of the single frames; their arithmetic mean would count short frames, which
    last the least time, the most [1]_.

    Parameters
    ----------
    n_frames : int
        1 or more.
    duration_s : float
        From the start of the first frame to the end of the last, > 0.

    Returns
    -------
    float
        Frames per second.

    References
    ----------
    .. [1] J. E. Smith, "Characterizing computer performance with a single number", Communications of the ACM 31(10),
       1202-1206, 1988.

    Examples
    --------
    Frames of 10, 20, 30 and 40 ms: the mean of their rates would be 52.1 fps.

    >>> average_fps(4, 0.100)
    40.0
    """
    if n_frames < 1:
        raise ValueError(f"n_frames must be 1 or more, got {n_frames!r}")
    if not duration_s > 0.0:
        raise ValueError(f"duration_s must be positive, got {duration_s!r}")
    return n_frames / duration_s


@lru_cache(maxsize=64)
def exact(number: float) -> Fraction:
    """The decimal number that was written: ``0.1`` is one tenth, not the nearest binary fraction.

    With it ``0.001 * 5000`` is five frames and not 5.000000000000001, so that no quantile steps one frame too far.
    """
    return Fraction(repr(float(number)))


def quantile(sorted_values: NDArray[np.float64], probability: float | Fraction, *, quantile_type: int = 7) -> float:
    """Sample quantile of values that are sorted already.

    Parameters
    ----------
    sorted_values : ndarray of float64, shape (n,)
        In rising order, n >= 1.
    probability : float or Fraction
        Between 0 and 1.
    quantile_type : int
        1 to 9, numbered as in [1]_; 7 interpolates linearly between the two nearest order statistics.

    Returns
    -------
    float
        In the unit of the values.

    Raises
    ------
    ValueError
        If there is no value, or the probability or the type is out of range.

    References
    ----------
    .. [1] R. J. Hyndman and Y. Fan, "Sample quantiles in statistical packages", The American Statistician 50(4),
       361-365, 1996.

    Examples
    --------
    >>> values = np.array([15.0, 20.0, 35.0, 40.0, 50.0])
    >>> quantile(values, 0.4), quantile(values, 0.4, quantile_type=6)
    (29.0, 26.0)
    """
    n = int(sorted_values.size)
    share = probability if isinstance(probability, Fraction) else exact(probability)
    if n == 0:
        raise ValueError("sorted_values must hold a value")
    if not 0 <= share.numerator <= share.denominator:
        raise ValueError(f"probability must lie between 0 and 1, got {probability!r}")
    if quantile_type not in QUANTILE_NAMES:
        raise ValueError(f"quantile_type must be 1 to 9, got {quantile_type!r}")
    if quantile_type <= 3:
        place, weight = _step_place(n * share, quantile_type)
    else:
        (alpha, rest), whole = _IN_PARTS[quantile_type], _PARTS * share.denominator
        place, left = divmod(alpha * share.denominator + share.numerator * (_PARTS * n + rest), whole)
        weight = left / whole
    # Places count from 1, and beyond the ends the end value is taken.
    below = float(sorted_values[min(max(place, 1), n) - 1])
    above = float(sorted_values[min(max(place + 1, 1), n) - 1])
    # Rounding must not carry the quantile past the frame above it.
    return above if weight == 1.0 else min(below + weight * (above - below), above)


def plotting_constants(quantile_type: int) -> tuple[float, float]:
    """``alpha`` and ``beta`` of the plotting position ``(k - alpha) / (n + 1 - alpha - beta)`` of the k-th value.

    The quantile at that position is the k-th value itself. Types 1 to 3 step there; they have the positions of type 4.

    Examples
    --------
    >>> plotting_constants(7)
    (1.0, 1.0)
    """
    alpha, beta = _ALPHA_BETA[max(quantile_type, 4)]
    return float(alpha), float(beta)


def _step_place(exact_place: Fraction, quantile_type: int) -> tuple[int, float]:
    """Place and weight of the types 1 to 3, which take an order statistic or the mean of two."""
    if quantile_type == 3:
        exact_place -= Fraction(1, 2)
    place = floor(exact_place)
    on_a_step = exact_place == place
    if quantile_type == 1:
        return place, 0.0 if on_a_step else 1.0
    if quantile_type == 2:
        return place, 0.5 if on_a_step else 1.0
    return place, 0.0 if on_a_step and place % 2 == 0 else 1.0


LOW_KINDS: Final = ("percentile", "mean", "time")
"""The three definitions of a low, by their part of the key."""


def low_key(slowest_pct: float, kind: str) -> str:
    """Key of a low in the catalog: ``p`` is the decimal point of the share.

    Examples
    --------
    >>> low_key(1.0, "mean"), low_key(0.1, "time")
    ('low_1pct_mean_fps', 'low_0p1pct_time_fps')
    """
    return f"low_{share_key(slowest_pct)}_{kind}_fps"


def share_key(slowest_pct: float) -> str:
    """How a share is written in a key.

    Examples
    --------
    >>> share_key(0.1)
    '0p1pct'
    """
    return f"{_plain(slowest_pct).replace('.', 'p')}pct"


def share_label(slowest_pct: float) -> str:
    """How a share is written for people.

    Examples
    --------
    >>> share_label(0.1)
    '0.1 %'
    """
    return f"{_plain(slowest_pct)} %"


def percentile_low_fps(
    sorted_frame_times_ms: NDArray[np.float64], *, slowest_pct: float, quantile_type: int = 7
) -> float:
    """Rate that all but the slowest ``slowest_pct`` percent of frames reach.

    The frame time at percentile ``100 - slowest_pct`` is turned into a rate. Frames are counted, not weighted by how
    long they last: compare `time_low_fps` (weighted) and `mean_low_fps` (mean of the slowest).

    Parameters
    ----------
    sorted_frame_times_ms : ndarray of float64, shape (n_frames,)
        In rising order, all > 0.
    slowest_pct : float
        In percent, in the open range (0, 100).
    quantile_type : int
        See `quantile`.

    Returns
    -------
    float
        Frames per second.

    Examples
    --------
    One frame of 50 ms in a hundred moves the percentile little:

    >>> times_ms = np.array([10.0] * 99 + [50.0])
    >>> round(percentile_low_fps(times_ms, slowest_pct=1.0), 2)
    96.15
    """
    return ms_to_fps(quantile(sorted_frame_times_ms, 1 - _share(slowest_pct), quantile_type=quantile_type))


def mean_low_fps(sorted_frame_times_ms: NDArray[np.float64], *, slowest_pct: float) -> float:
    """Rate over the slowest ``slowest_pct`` percent of frames: their count divided by the time they take.

    The frame at the edge is counted in part, so that the low does not jump where the count crosses a whole number. With
    less than one frame in the share, it is the rate of the slowest frame.

    Parameters
    ----------
    sorted_frame_times_ms : ndarray of float64, shape (n_frames,)
        In rising order, all > 0.
    slowest_pct : float
        In percent, in the open range (0, 100).

    Returns
    -------
    float
        Frames per second.

    Examples
    --------
    The slowest 1 % of 150 frames are one frame and a half: 50 ms and half of 30 ms.

    >>> times_ms = np.array([10.0] * 148 + [30.0, 50.0])
    >>> round(mean_low_fps(times_ms, slowest_pct=1.0), 3)
    23.077
    """
    n_frames = int(sorted_frame_times_ms.size)
    n_slowest = _share(slowest_pct) * n_frames
    whole = floor(n_slowest)
    part = float(n_slowest - whole)
    total_ms = float(sorted_frame_times_ms[n_frames - whole :].sum())
    if part:
        total_ms += part * float(sorted_frame_times_ms[n_frames - whole - 1])
    return 1000.0 * float(n_slowest) / total_ms


def time_low_fps(sorted_frame_times_ms: NDArray[np.float64], *, slowest_pct: float, duration_ms: float) -> float:
    """Rate of the frame at which the slowest frames together fill ``slowest_pct`` percent of the time.

    Frames are weighted by how long they last: one long freeze fills the share alone, however many frames the run has.

    Parameters
    ----------
    sorted_frame_times_ms : ndarray of float64, shape (n_frames,)
        In rising order, all > 0.
    slowest_pct : float
        In percent, in the open range (0, 100).
    duration_ms : float
        Sum of the frame times.

    Returns
    -------
    float
        Frames per second.

    Examples
    --------
    One second of frames: the frame of 50 ms fills 5 % of it, so 1 % lies within it.

    >>> times_ms = np.array([10.0] * 95 + [50.0])
    >>> time_low_fps(times_ms, slowest_pct=1.0, duration_ms=1000.0)
    20.0
    >>> time_low_fps(times_ms, slowest_pct=6.0, duration_ms=1000.0)
    100.0
    """
    share = _share(slowest_pct)
    n_frames = int(sorted_frame_times_ms.size)
    # The slowest frames are longer than the mean, so they fill the share of time before they reach it by count.
    n_tail = min(n_frames, floor(share * n_frames) + 1)
    filled_ms = np.cumsum(sorted_frame_times_ms[n_frames - n_tail :][::-1])
    # A sum of float64 may fall short of a share it reaches exactly; a part in 10**12 is far below any clock.
    target_ms = float(share) * duration_ms * (1.0 - 1e-12)
    place = min(int(np.searchsorted(filled_ms, target_ms, side="left")), n_tail - 1)
    return ms_to_fps(float(sorted_frame_times_ms[n_frames - 1 - place]))


@lru_cache(maxsize=64)
def _share(slowest_pct: float) -> Fraction:
    if not 0.0 < slowest_pct < 100.0:
        raise ValueError(f"slowest_pct must lie between 0 and 100, got {slowest_pct!r}")
    return exact(slowest_pct) / 100


def _plain(number: float) -> str:
    text = format(Decimal(repr(float(number))), "f")
    return text.rstrip("0").rstrip(".") if "." in text else text
