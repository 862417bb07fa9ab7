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

from frametime.caveats import Caveat, Weight
from frametime.lab.sessions import Cells, Drift, SessionScatter, Shift, common_drift, scatter_between, shift_between
from frametime.review.cell_summaries import metric_caveat
from frametime.review.design import MetricEntry, ReviewDesign
from frametime.review.run_set import ZERO, Place, PlacedRun
from frametime.statistics.differences import LogMean, SharedError, log_mean
from frametime.statistics.distributions import t_quantile
from frametime.words import counted, joined

TODAY = "today"


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


@dataclass(frozen=True, kw_only=True)
class Brought:
    """The runs of other sessions as they count, the errors of all cells, and what must be said."""

    runs: tuple[PlacedRun, ...] = ()
    shared: Shared = field(default_factory=dict)
    caveats: tuple[Caveat, ...] = ()


def brought_beside(design: ReviewDesign, today: Sequence[PlacedRun], others: OtherSessions) -> Brought:
    """Bring runs of other sessions to the level of today, metric by metric.

    Through cards that lie in both sessions the shift between them is told, and taken off. Where none does, the scatter
    that sessions usually have is counted; where that is not known either, an error of the size of the margin.
    """
    taken: dict[str, dict[str, float]] = defaultdict(dict)
    shared: dict[tuple[str, Place], tuple[SharedError, ...]] = {}
    caveats: list[Caveat] = []
    used = [run for run in today if run.name not in design.exclusions]
    for metric in (entry.key for entry in design.metrics):
        sessions: dict[Hashable, Mapping[str, Cells]] = {
            name: _cells({place: values.get(metric, ()) for place, values in places.items()})
            for name, places in others.values.items()
        }
        now = _cells_of_runs(used, metric)
        scatter = scatter_between({**sessions, TODAY: now})
        shifts = {name: shift_between(sessions.get(name, {}), now, name=name) for name in set(design.shelved.values())}
        is_counted = scatter is not None and None in shifts.values()
        of_today = (scatter.error_of(TODAY),) if is_counted and scatter is not None else ()
        for run in used if of_today else ():
            shared[metric, run.place] = of_today
        errors = {name: _errors(design, name, shift, scatter, of_today) for name, shift in shifts.items()}
        for run in others.runs:
            session = design.shelved[run.card]
            shared[metric, run.place] = errors[session]
            if (shift := shifts[session]) is not None:
                taken[run.name][metric] = shift.difference.value
        if metric == design.headline:
            caveats += [_told(design, name, shift, scatter) for name, shift in sorted(shifts.items())]
    runs = tuple(replace(run, taken_off=taken.get(run.name, {})) for run in others.runs)
    return Brought(runs=runs, shared=shared, caveats=tuple(caveats))


def _cells_of_runs(runs: Sequence[PlacedRun], metric: str) -> Mapping[str, Cells]:
    values: dict[Place, list[float]] = defaultdict(list)
    for run in runs:
        values[run.place].append(run.value(metric) or 0.0)
    cells = _cells(values)
    # By these keys the means of today stand in the comparisons, too.
    return {
        card: {cell: replace(mean, key=(metric, (card, *cell))) for cell, mean in of_card.items()}  # type: ignore[misc]
        for card, of_card in cells.items()
    }


def _cells(values: Mapping[Place, Sequence[float]]) -> dict[str, dict[Hashable, LogMean]]:
    found: dict[str, dict[Hashable, LogMean]] = defaultdict(dict)
    for (card, *cell), of_place in values.items():
        if of_place and min(of_place) > ZERO:
            found[card][cell[0], cell[1]] = log_mean([math.log(value) for value in of_place])
    return found


def _errors(
    design: ReviewDesign,
    session: str,
    shift: Shift | None,
    scatter: SessionScatter | None,
    of_today: tuple[SharedError, ...],
) -> tuple[SharedError, ...]:
    """The errors that every cell of a session has: of its shift, of how sessions scatter, or as large as the margin."""
    if shift is not None:
        return (*shift.errors, *of_today)
    if scatter is not None:
        return (scatter.error_of(session),)
    edge = math.log1p(design.margin)
    return (SharedError(key=("session", session), amount=1.0, variance=0.0, degrees_of_freedom=1.0, bound=edge),)


def _told(design: ReviewDesign, session: str, shift: Shift | None, scatter: SessionScatter | None) -> Caveat:
    metric = design.metric(design.headline)
    cards = joined([design.label(card) for card, of in design.shelved.items() if of == session])
    of_session = f"{cards} {'was' if list(design.shelved.values()).count(session) == 1 else 'were'} measured in session"
    if shift is not None:
        bounds = shift.difference.bounds(0.95)
        assert bounds is not None
        low, high = (f"{100.0 * math.expm1(bound):+.1f} %" for bound in bounds)
        message = (
            f"{of_session} '{session}'. By {counted(shift.n_cells, 'cell')} of cards that lie in both, the "
            f"{metric.label} was {100.0 * math.expm1(shift.difference.value):+.1f} % off then ({low} to {high}): that "
            "is taken off, and every interval counts how surely it is known."
        )
        return metric_caveat(metric.key, code="session-shift", message=message, weight=Weight.NOTE)
    if scatter is not None:
        message = (
            f"{of_session} '{session}', of which no card was measured again. By {scatter.n_sessions} sessions the "
            f"{metric.label} scatters by {100.0 * scatter.standard_deviation:.1f} % from one to another, which every "
            "interval counts. Measure one of its cards again in a few cells."
        )
        return metric_caveat(metric.key, code="session-scatter", message=message)
    message = (
        f"{of_session} '{session}', and nothing shows how that differs from this one. Nothing closer than the margin "
        f"of {100.0 * design.margin:g} % is called, and every interval is wider by it on both sides. Measure one of "
        "its cards again in a few cells."
    )
    return metric_caveat(metric.key, code="session-unknown", message=message)


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
        return WithoutDrift(runs=tuple(runs), caveats=(_not_told(message, Weight.NOTE),))
    hours = np.array([run.start_h for run in used if run.start_h is not None])
    if float(np.diff(np.sort(hours)).max(initial=0.0)) > LONGEST_GAP_H:
        message = f"Some runs lie more than {LONGEST_GAP_H:g} hours apart, as of two sessions: no drift is taken out."
        return WithoutDrift(runs=tuple(runs), caveats=(_not_told(message, Weight.NOTE),))
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


def _not_told(message: str, weight: Weight) -> Caveat:
    return Caveat(code="drift-not-told", message=message, weight=weight)


def _percent(log: float) -> str:
    return f"{100.0 * math.expm1(log):+.2f} %"
