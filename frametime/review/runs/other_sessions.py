"""Cards of other sessions beside those of today: what differs between sessions is taken off, or counted, and said."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from frametime.caveats import Caveat, Weight
from frametime.lab.sessions import Cells, SessionScatter, Shift, scatter_between, shift_between
from frametime.review.design import ReviewDesign
from frametime.review.run_set import ZERO, Place, PlacedRun
from frametime.review.runs.cell_summaries import metric_caveat
from frametime.review.runs.session_drift import Shared
from frametime.statistics.differences import LogMean, SharedError, log_mean
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
