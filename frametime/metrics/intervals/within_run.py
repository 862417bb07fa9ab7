"""How a number rests on the parts of a run, how long the run remembers, and the interval from both.

Neighbors hang together, so a run of many frames may hold few independent ones. Two questions are kept apart: how much
a sum varies (the spectral density at zero), and whether the run is long enough to tell (stretches).
"""

from __future__ import annotations

import math
from typing import Final, Literal, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.frame_series import FrameSeries, once_a_series
from frametime.metrics.metric import Missing
from frametime.statistics.distributions import student_quantile
from frametime.statistics.interval import Interval

BINS: Final = 256
"""Longer series are first summed over stretches of equal length: only what is slow matters here."""
MIN_STRETCHES: Final = 15.0
"""A run of fewer independent stretches gives no interval (by simulation: with fewer, the estimate of their number and
the interval err together)."""
_STRETCHES_A_WAVE: Final = 6.0
"""For each wave at zero so many stretches: over so few waves the spectrum of a first-order process is level."""
_MIN_WAVES: Final = 3


class Variation(NamedTuple):
    """Standard deviation of a sum over the run, its degrees of freedom, and the independent stretches behind it.

    ``equal`` is the number of independent places that would vary as much if they were all alike.
    """

    sd: float
    degrees: int
    stretches: float
    equal: float


def variation(items: NDArray[np.generic], *, at_most: float = math.inf) -> Variation:
    """How much the sum of ``items`` would vary from run to run.

    The spectral density at zero is the mean square of the slowest cosine waves in the items, and their number that of
    the degrees of freedom of Student's t: E. Lazarus, D. J. Lewis, J. H. Stock and M. W. Watson, "HAR inference:
    recommendations for practice", Journal of Business & Economic Statistics 36, 2018, 541-559 (from memory). The longer
    the memory, the fewer waves: one for each six `independent_stretches`. Where few places decide, they are no fewer
    than the degrees of freedom (by simulation).

    Parameters
    ----------
    items : ndarray, shape (n,)
        One a frame or a step between samples.
    at_most : float
        Independent stretches that the degrees of freedom may count on.

    Examples
    --------
    Independent items: about their standard deviation times the root of their number.

    >>> found = variation(np.random.default_rng(1).standard_normal(10_000))
    >>> 0.8 < found.sd / 100.0 < 1.2, found.stretches > 150.0
    (True, True)
    """
    sums = _binned(items)
    stretches = _stretches(sums)
    waves = max(int(min(stretches, at_most) / _STRETCHES_A_WAVE), _MIN_WAVES)
    places = np.pi * (np.arange(sums.size) + 0.5) / sums.size
    parts = np.cos(np.arange(1, waves + 1)[:, np.newaxis] * places) @ sums
    squares = sums**2
    equal = stretches / sums.size * float(squares.sum()) ** 2 / max(float((squares**2).sum()), 1e-300)
    return Variation(
        sd=math.sqrt(2.0 * float(np.mean(parts**2))),
        degrees=min(waves, max(math.ceil(equal), 1)),
        stretches=stretches,
        equal=equal,
    )


def independent_stretches(items: NDArray[np.generic]) -> float:
    """About how many independent stretches a series holds: its length over its integrated autocorrelation time.

    The longer of two times counts. One is by the initial monotone sequence of C. J. Geyer, "Practical Markov chain
    Monte Carlo", Statistical Science 7, 1992, 473-483. The other is that of a process of two states which stays as
    long above and below the mean as the series does: a scene of few long parts shows fewer correlations than it has.

    Examples
    --------
    Ten parts, each at a level of its own for 100 frames, hold no more than ten:

    >>> independent_stretches(np.repeat([1.0, 4.0, 2.0, 5.0, 1.0, 3.0, 2.0, 6.0, 1.0, 4.0], 100)) < 12.0
    True
    """
    return _stretches(_binned(items))


@once_a_series
def level_stretches(series: FrameSeries) -> float:
    """Independent stretches of the frame times of a run."""
    return independent_stretches(series.frame_times_ms)


def _binned(items: NDArray[np.generic]) -> NDArray[np.float64]:
    """Sums over stretches of equal length, about their mean: shape (at most ``BINS``,)."""
    centered = items - items.mean()
    length = -(-items.size // BINS)
    return np.asarray(np.add.reduceat(centered, np.arange(0, items.size, length)), dtype=np.float64)


def _stretches(sums: NDArray[np.float64]) -> float:
    return sums.size / max(_monotone_time(sums), _two_state_time(sums), 1.0)


def _monotone_time(sums: NDArray[np.float64]) -> float:
    n = sums.size
    transform = np.fft.rfft(sums - sums.mean(), 2 * n)
    covariances = np.fft.irfft(transform * np.conj(transform), 2 * n)[:n]
    if not covariances[0] > 1e-300:
        return 1.0
    # Sums of two neighbors are positive and fall in truth: they are cut at the first that is not, and made to fall.
    pairs = covariances[: n // 4 * 2].reshape(-1, 2).sum(axis=1) / covariances[0]
    ends = np.flatnonzero(pairs <= 0.0)
    pairs = np.minimum.accumulate(pairs[: ends[0] if ends.size else pairs.size])
    return float(2.0 * pairs.sum() - 1.0)


def _two_state_time(sums: NDArray[np.float64]) -> float:
    above = sums > sums.mean()
    starts = np.flatnonzero(np.diff(above, prepend=~above[:1]))
    n_above = np.count_nonzero(above[starts])
    if n_above in (0, starts.size):
        return 1.0
    stay_above = np.count_nonzero(above) / n_above
    stay_below = np.count_nonzero(~above) / (starts.size - n_above)
    return float(2.0 / (1.0 / stay_above + 1.0 / stay_below) - 1.0)


Array: TypeAlias = NDArray[np.float64] | NDArray[np.int64]

MIN_EVENTS: Final = 3
"""What happened less often gives no interval: nothing tells how often it might have happened."""

MIN_EQUAL: Final = 1.5
"""What rests on fewer places of the run, as equal ones count, gives no interval."""

SAME: Final = Missing(reason="every part of this run gives the same number")
ANYTHING: Final = Missing(reason="the parts of this run allow any value")
FEW_DECIDE: Final = Missing(reason="few places of the run decide it: too few to tell how they vary")

Scale: TypeAlias = Literal["size", "count", "share", "correlation"]
"""How a number varies: sizes by factors, counts and shares by their square root, correlations as they are."""


class Influence(NamedTuple):
    """How much each frame, or each step between samples, moves a number: as parts of the number itself.

    F. R. Hampel, "The influence curve and its role in robust estimation", Journal of the American Statistical
    Association 69, 1974, 383-393 (from memory). The items of a correlation are parts of 1. ``most`` where a count
    cannot be larger. ``lost`` is what the number lacks in a run of one stretch, as a part of itself: a variance is
    taken about the run's own mean.
    """

    items: NDArray[np.float64]
    scale: Scale = "size"
    most: float = math.inf
    lost: float = 0.0


Outcome: TypeAlias = Influence | Interval | Missing
"""What an interval is made from, an interval made otherwise, or why there is none."""


def ratio(
    upper: Array,
    lower: Array | None = None,
    *,
    scale: Scale = "size",
    power: float = 1.0,
    most: float = math.inf,
    lost: float = 0.0,
) -> Outcome:
    """A power of the ratio of two sums over the run; ``None`` for the number of frames, which is fixed.

    Examples
    --------
    >>> outcome = ratio(np.array([1.0, 3.0]), np.array([1.0, 1.0]))
    >>> outcome.items.tolist()
    [-0.25, 0.25]
    """
    total = float(upper.sum())
    if not total > 0.0:
        return SAME if not upper.any() else Missing(reason="it is not above zero")
    below = 1.0 / upper.size if lower is None else lower / float(lower.sum())
    return Influence(np.asarray(power * (upper / total - below), dtype=np.float64), scale, most, lost)


def placed(n: int, positions: NDArray[np.int64], items: Array | float = 1.0) -> NDArray[np.float64]:
    """Items that belong to some of ``n`` frames, and 0 for the others: shape (n,)."""
    found = np.zeros(n)
    found[positions] = items
    return found


def too_few(n_events: int) -> Missing | None:
    """Why events give no interval, or ``None`` when there are enough of them."""
    if n_events >= MIN_EVENTS:
        return None
    told = ("never happened", "happened once", "happened twice")[n_events]
    return Missing(reason=f"it {told} in this run; {MIN_EVENTS} times or more are needed")


def one_sided(flags: NDArray[np.bool_]) -> Missing | None:
    """Why a share gives no interval, or ``None`` when there are enough frames of both kinds."""
    n_true = int(np.count_nonzero(flags))
    n_few = min(n_true, flags.size - n_true)
    if n_few >= MIN_EVENTS:
        return None
    some = "all are alike" if n_few == 0 else f"all but {n_few} are alike"
    return Missing(reason=f"{some} in this run; {MIN_EVENTS} or more of each kind are needed")


def too_short(stretches: float, needed: float = MIN_STRETCHES) -> Missing | None:
    """Why a run that remembers for long gives no interval, or ``None`` when it is long enough."""
    if stretches >= needed:
        return None
    return Missing(reason=f"about {math.floor(stretches)} independent stretches; {needed:.0f} are needed")


def interval_of(value: float, outcome: Outcome, level: float, stretches: float = math.inf) -> Interval | Missing:
    """The interval of a number, symmetric about it on the scale on which it varies.

    ``stretches`` are those of the level of the run. What changes with its scene may show too little of that itself:
    then the number has no more degrees of freedom than the level has.
    """
    if not isinstance(outcome, Influence):
        return outcome
    found = variation(outcome.items, at_most=stretches)
    if not (value > 0.0 or outcome.scale == "correlation") or not found.sd > 1e-12:
        return SAME
    if (missing := too_short(found.stretches) or (FEW_DECIDE if found.equal < MIN_EQUAL else None)) is not None:
        return missing
    reach = student_quantile(0.5 + 0.5 * level, found.degrees) * found.sd + outcome.lost / min(
        stretches, found.stretches
    )
    if outcome.scale == "size":
        low, high = value * math.exp(-reach), value * math.exp(reach)
    elif outcome.scale == "correlation":
        low, high = max(value - reach, -1.0), min(value + reach, 1.0)
    else:
        most = 1.0 if outcome.scale == "share" else outcome.most
        low, high = value * max(1.0 - 0.5 * reach, 0.0) ** 2, min(value * (1.0 + 0.5 * reach) ** 2, most)
    whole = {"share": (0.0, 1.0), "correlation": (-1.0, 1.0)}.get(outcome.scale)
    if (low, high) == whole or not math.isfinite(high):
        return ANYTHING
    if not high - low > 1e-10 * abs(value):
        return SAME
    method = (
        f"within run: spectral density at zero, {found.degrees} degrees of freedom; "
        f"about {found.stretches:.0f} independent stretches"
    )
    return Interval(low=min(low, value), high=max(high, value), level=level, method=method)
