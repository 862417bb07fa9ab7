"""What the intervals of several metrics share: how a number rests on the parts of a run, and the interval from it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final, Literal, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.intervals.memory import MIN_STRETCHES, Variation, variation
from frametime.metrics.metric import Missing
from frametime.statistics.differences import Interval
from frametime.statistics.distributions import student_quantile

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


def ratio(upper: Array, lower: Array | None = None, *, scale: Scale = "size", power: float = 1.0) -> Outcome:
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
    return Influence(np.asarray(power * (upper / total - below), dtype=np.float64), scale)


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
    if (missing := too_short(found.stretches)) is not None:
        return missing
    return FEW_DECIDE if found.equal < MIN_EQUAL else _interval(value, outcome, found, level, stretches)


def _interval(value: float, outcome: Influence, found: Variation, level: float, stretches: float) -> Interval | Missing:
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
    return Interval(low=min(low, value), high=max(high, value), level=level, method=method_of(found))


def method_of(found: Variation) -> str:
    """How an interval was made, in one line."""
    return (
        f"within run: spectral density at zero, {found.degrees} degrees of freedom; "
        f"about {found.stretches:.0f} independent stretches"
    )


def merged(*outcomes: Mapping[str, Outcome]) -> dict[str, Outcome]:
    """All outcomes in one mapping; a key must not come twice."""
    found: dict[str, Outcome] = {}
    for part in outcomes:
        if twice := found.keys() & part.keys():
            raise ValueError(f"each metric must have one interval, got two: {sorted(twice)!r}")
        found |= part
    return found
