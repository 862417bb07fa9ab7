"""What differs within a session and between sessions: taken off the runs where it is told, or counted, and said.

A drift of the session is told where the order of the runs tells it from the cards; the level of another session by
cards that lie in both.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from frametime.caveats import Caveat
from frametime.lab.sessions import Cells, Drift, SessionScatter, Shift, common_drift, scatter_between, shift_between
from frametime.review.card_repeatability import in_percent
from frametime.review.design import MetricEntry, Place, ReviewDesign
from frametime.review.run_set import ZERO, PlacedRun
from frametime.review.sentence import caveat_of
from frametime.statistics.differences import LogMean, SharedError, log_mean
from frametime.statistics.distributions import normal_quantile, t_quantile
from frametime.words import counted, joined, signed

LONGEST_GAP_H: Final = 6.0
"""Hours without a run after which another session begins, and no straight drift is looked for. Our own choice."""
MOST_OF_MARGIN: Final = 0.25
"""Part of the margin up to which taking out a drift may widen what is not known of two cards. Our own choice."""
FEW_SESSIONS: Final = 4
"""Up to so many sessions tell their scatter so badly that intervals are half as wide again, or wider: that is said."""
TODAY = "today"

Shared = Mapping[tuple[str, Place], tuple[SharedError, ...]]


@dataclass(frozen=True, kw_only=True)
class AsCompared:
    """Runs with what is taken off them, what that leaves uncertain by metric and cell, and what must be said."""

    runs: tuple[PlacedRun, ...]
    shared: Shared = field(default_factory=dict)
    caveats: tuple[Caveat, ...] = ()


@dataclass(frozen=True, kw_only=True)
class OtherSessions:
    """What a shelf brings into a review.

    Attributes
    ----------
    runs : tuple of PlacedRun
        Of the cards that are taken from it; the design says of which session each is (``shelved``).
    values : Mapping of session to Mapping of place to Mapping of str to (sequence of float)
        The metrics over the runs of every card on the shelf, in cells that are comparable.
    """

    runs: tuple[PlacedRun, ...] = ()
    values: Mapping[str, Mapping[Place, Mapping[str, Sequence[float]]]] = field(default_factory=dict)


NO_OTHERS: Final = OtherSessions()


def without_drift(design: ReviewDesign, runs: Sequence[PlacedRun]) -> AsCompared:
    """Take the straight drift of the session off every metric of the review, where the plan asks for an order."""
    used = [run for run in runs if run.name not in design.exclusions]
    if not design.takes_out_drift or not used:
        return AsCompared(runs=tuple(runs))
    starts = [run.start_h for run in used if run.start_h is not None]
    if len(starts) < len(used):
        untold = counted(len(used) - len(starts), "run")
        caveat = caveat_of("drift-not-told/no times", untold=untold, n_runs=len(used))
        return AsCompared(runs=tuple(runs), caveats=(caveat,))
    if float(np.diff(np.sort(starts)).max(initial=0.0)) > LONGEST_GAP_H:
        caveat = caveat_of("drift-not-told/long gap", gap_h=LONGEST_GAP_H)
        return AsCompared(runs=tuple(runs), caveats=(caveat,))
    middle = float(np.mean(starts))
    taken: dict[str, float] = {}
    shared: dict[tuple[str, Place], tuple[SharedError, ...]] = {}
    caveats = []
    for metric in design.metrics:
        of_place: dict[Place, list[tuple[float, float]]] = defaultdict(list)
        for run, start_h in zip(used, starts, strict=True):
            value = run.value(metric.key)
            if value is not None and value > ZERO:
                of_place[run.place].append((start_h - middle, math.log(value)))
        sets = {place: np.array(found).T for place, found in of_place.items()}
        if (drift := common_drift([(times, logs) for times, logs in sets.values()])) is None:
            continue
        means = {place: float(times.mean()) for place, (times, _) in sets.items()}
        caveat, is_taken = _judged(design, metric, drift, means)
        caveats.append(caveat)
        if is_taken:
            taken[metric.key] = drift.per_hour
            numbers = {"variance": drift.variance, "degrees_of_freedom": drift.degrees_of_freedom}
            for place, time in means.items():
                shared[metric.key, place] = (SharedError(key=("drift", metric.key), amount=-time, **numbers),)
    without = [
        run
        if run.start_h is None
        else replace(run, taken_off={key: slope * (run.start_h - middle) for key, slope in taken.items()})
        for run in runs
    ]
    return AsCompared(runs=tuple(without), shared=shared, caveats=tuple(caveats))


def _judged(
    design: ReviewDesign, metric: MetricEntry, drift: Drift, means: Mapping[Place, float]
) -> tuple[Caveat, bool]:
    """What is said of a drift, and whether the order of the runs tells it from the cards."""
    of_cards: dict[str, list[float]] = defaultdict(list)
    for place, time in means.items():
        of_cards[place[0]].append(time)
    apart = float(np.ptp([np.mean(times) for times in of_cards.values()]))
    half = t_quantile(0.975, drift.degrees_of_freedom) * math.sqrt(drift.variance)
    is_told = half * apart <= MOST_OF_MARGIN * math.log1p(design.margin)
    at, low, high = (f"{signed(in_percent(drift.per_hour + off), '+.2f')} %" for off in (0.0, -half, half))
    words = {"label": metric.label, "drift": f"{at} an hour ({low} to {high})", "cost": 100.0 * half * apart}
    words["change"] = abs(100.0 * drift.per_hour * apart)
    return caveat_of("drift-taken-out" if is_told else "drift-not-told", metric.key, **words), is_told


def brought_beside(design: ReviewDesign, today: Sequence[PlacedRun], others: OtherSessions) -> AsCompared:
    """Bring runs of other sessions to the level of today, metric by metric; the errors are those of all cells.

    Through cards that lie in both sessions the shift between them is told, and taken off. Where none does, the scatter
    that sessions usually have is counted; where that is not known either, an error of the size of the margin.
    """
    taken: dict[str, dict[str, float]] = defaultdict(dict)
    shared: dict[tuple[str, Place], tuple[SharedError, ...]] = {}
    caveats: list[Caveat] = []
    used = [run for run in today if run.name not in design.exclusions]
    of_today: dict[Place, list[PlacedRun]] = defaultdict(list)
    for run in used:
        of_today[run.place].append(run)
    for metric in (entry.key for entry in design.metrics):
        sessions: dict[Hashable, Mapping[str, Cells]] = {
            name: _cells({place: values.get(metric, ()) for place, values in places.items()})
            for name, places in others.values.items()
        }
        # By the metric these means stand in the comparisons, too.
        now = _cells({place: [run.value(metric) or 0.0 for run in of] for place, of in of_today.items()}, metric)
        scatter = scatter_between({**sessions, TODAY: now})
        shifts = {name: shift_between(sessions.get(name, {}), now, name=name) for name in set(design.shelved.values())}
        counts = (scatter.error_of(TODAY),) if scatter is not None and None in shifts.values() else ()
        if counts:
            shared |= {(metric, place): counts for place in of_today}
        judged = {name: _judged_shift(design, name, shift, scatter) for name, shift in sorted(shifts.items())}
        errors = {name: found + (counts if shifts[name] else ()) for name, (found, _) in judged.items()}
        for run in others.runs:
            session = design.shelved[run.card]
            shared[metric, run.place] = errors[session]
            if (shift := shifts[session]) is not None:
                taken[run.name][metric] = shift.difference.value
        if metric == design.headline:
            caveats += [caveat for _, caveat in judged.values()]
    runs = tuple(replace(run, taken_off=taken.get(run.name, {})) for run in others.runs)
    return AsCompared(runs=runs, shared=shared, caveats=tuple(caveats))


def _cells(values: Mapping[Place, Sequence[float]], metric: str | None = None) -> dict[str, dict[Hashable, LogMean]]:
    """Of each card its cells; by a metric they are known in other places."""
    found: dict[str, dict[Hashable, LogMean]] = defaultdict(dict)
    for place, of_place in values.items():
        if of_place and min(of_place) > ZERO:
            mean = log_mean([math.log(value) for value in of_place])
            found[place[0]][place[1:]] = mean if metric is None else replace(mean, key=(metric, place))
    return found


def _judged_shift(
    design: ReviewDesign, session: str, shift: Shift | None, scatter: SessionScatter | None
) -> tuple[tuple[SharedError, ...], Caveat]:
    """The errors that every cell of a session has, and what is said of them.

    They are those of its shift, of how sessions scatter, or as large as the margin.
    """
    metric = design.metric(design.headline)
    cards = [design.label(card) for card, of in design.shelved.items() if of == session]
    words = {"cards": f"{joined(cards)} {'was' if len(cards) == 1 else 'were'}", "session": session}
    words["label"] = metric.label
    if shift is not None:
        low, high = (signed(in_percent(end)) for end in shift.difference.bounds(0.95) or ())
        off, cells = signed(in_percent(shift.difference.value)), counted(shift.n_cells, "cell")
        return shift.errors, caveat_of("session-shift", metric.key, off=off, low=low, high=high, cells=cells, **words)
    if scatter is not None:
        numbers = {"n_sessions": scatter.n_sessions, "scatter": 100.0 * scatter.standard_deviation}
        numbers["times"] = t_quantile(0.975, scatter.degrees_of_freedom) / normal_quantile(0.975)
        is_few = scatter.n_sessions <= FEW_SESSIONS
        caveat = caveat_of("session-scatter/few" if is_few else "session-scatter", metric.key, **numbers, **words)
        return (scatter.error_of(session),), caveat
    edge = math.log1p(design.margin)
    error = SharedError(key=("session", session), amount=1.0, variance=0.0, degrees_of_freedom=1.0, bound=edge)
    return (error,), caveat_of("session-unknown", metric.key, margin=100.0 * design.margin, **words)
