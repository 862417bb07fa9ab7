"""A drift of the session: taken off the runs where their order tells it from the cards, and said."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from frametime.caveats import Caveat, Weight
from frametime.lab.drift import Drift, common_drift
from frametime.review.design import MetricEntry, ReviewDesign
from frametime.review.run_set import ZERO, Place, PlacedRun
from frametime.review.runs.cell_summaries import metric_caveat
from frametime.statistics.differences import SharedError
from frametime.statistics.distributions import t_quantile
from frametime.words import counted

LONGEST_GAP_H: Final = 6.0
"""Hours without a run after which another session begins, and no straight drift is looked for. Our own choice."""
MOST_OF_MARGIN: Final = 0.25
"""Part of the margin up to which taking out a drift may widen what is not known of two cards. Our own choice."""

Shared = Mapping[tuple[str, Place], tuple[SharedError, ...]]


@dataclass(frozen=True, kw_only=True)
class WithoutDrift:
    """The runs with what is taken off them, what that leaves uncertain in each cell, and what must be said."""

    runs: tuple[PlacedRun, ...]
    shared: Shared = field(default_factory=dict)
    caveats: tuple[Caveat, ...] = ()


def without_drift(design: ReviewDesign, runs: Sequence[PlacedRun]) -> WithoutDrift:
    """Take the straight drift of the session off every metric of the review, where the plan asks for an order."""
    used = [run for run in runs if run.name not in design.exclusions]
    if not design.takes_out_drift or not used:
        return WithoutDrift(runs=tuple(runs))
    untold = sum(run.start_h is None for run in used)
    if untold:
        message = f"{counted(untold, 'run')} of {len(used)} do not tell when they were made: no drift is taken out."
        return WithoutDrift(runs=tuple(runs), caveats=(_told(message, Weight.NOTE),))
    hours = np.array([run.start_h for run in used if run.start_h is not None])
    if float(np.diff(np.sort(hours)).max(initial=0.0)) > LONGEST_GAP_H:
        message = f"Some runs lie more than {LONGEST_GAP_H:g} hours apart, as of two sessions: no drift is taken out."
        return WithoutDrift(runs=tuple(runs), caveats=(_told(message, Weight.NOTE),))
    middle = float(hours.mean())
    taken: dict[str, float] = {}
    shared: dict[tuple[str, Place], tuple[SharedError, ...]] = {}
    caveats = []
    for metric in design.metrics:
        of_place: dict[Place, list[tuple[float, float]]] = defaultdict(list)
        for run in used:
            value = run.value(metric.key)
            if value is not None and value > ZERO and run.start_h is not None:
                of_place[run.place].append((run.start_h - middle, math.log(value)))
        sets = {place: np.array(found).T for place, found in of_place.items()}
        drift = common_drift([(times, logs) for times, logs in sets.values()])
        if drift is None:
            continue
        means = {place: float(times.mean()) for place, (times, _) in sets.items()}
        caveat, is_taken = _judged(design, metric, drift, means)
        caveats.append(caveat)
        if is_taken:
            taken[metric.key] = drift.per_hour
            shared |= {
                (metric.key, place): (
                    SharedError(
                        key=("drift", metric.key),
                        amount=-time,
                        variance=drift.variance,
                        degrees_of_freedom=drift.degrees_of_freedom,
                    ),
                )
                for place, time in means.items()
            }
    without = [
        run
        if run.start_h is None
        else replace(run, taken_off={key: slope * (run.start_h - middle) for key, slope in taken.items()})
        for run in runs
    ]
    return WithoutDrift(runs=tuple(without), shared=shared, caveats=tuple(caveats))


def _judged(
    design: ReviewDesign, metric: MetricEntry, drift: Drift, means: Mapping[Place, float]
) -> tuple[Caveat, bool]:
    """Whether the order tells the drift from the cards, and what is said of it."""
    of_cards: dict[str, list[float]] = defaultdict(list)
    for place, time in means.items():
        of_cards[place[0]].append(time)
    apart = float(np.ptp([np.mean(times) for times in of_cards.values()]))
    half = t_quantile(0.975, drift.degrees_of_freedom) * math.sqrt(drift.variance)
    cost = 100.0 * half * apart
    told = (
        f"{_percent(drift.per_hour)} an hour ({_percent(drift.per_hour - half)} to {_percent(drift.per_hour + half)})"
    )
    if half * apart > MOST_OF_MARGIN * math.log1p(design.margin):
        message = (
            f"The order of the runs does not tell a drift of the {metric.label} from the cards: {told} as estimated. "
            f"None is taken out, for two cards would be up to {cost:.2f} % less surely known."
        )
        return metric_caveat(metric.key, code="drift-not-told", message=message), False
    message = (
        f"A drift of the {metric.label} of {told} is taken off every run. It changes two cards by up to "
        f"{abs(100.0 * drift.per_hour * apart):.2f} % over all cells, and {cost:.2f} % more of them is not known, "
        "which every interval counts."
    )
    return metric_caveat(metric.key, code="drift-taken-out", message=message, weight=Weight.NOTE), True


def _told(message: str, weight: Weight) -> Caveat:
    return Caveat(code="drift-not-told", message=message, weight=weight)


def _percent(log: float) -> str:
    return f"{100.0 * math.expm1(log):+.2f} %"
