"""A review while its runs are being made: what the newest run is worth beside the others, and what comes next."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from frametime.lab.order import Step
from frametime.review.design import ReviewDesign
from frametime.review.result import Coverage, Flag, RunToMake, UnreadableFile
from frametime.review.reviewing import flags_and_coverage
from frametime.review.run_set import PlacedRun


@dataclass(frozen=True, kw_only=True)
class NewestRun:
    """The newest run of a review that is not complete yet.

    Attributes
    ----------
    run : PlacedRun or UnreadableFile
    flag : Flag or None
        Why it stands out from its cell; ``None`` where it does not, or has too few runs beside it.
    others_pct : float or None
        Its headline metric against the geometric mean of the other runs of its cell, in percent.
    n_others : int
        How many those are.
    coverage : Coverage
        Of all runs so far.
    next_run : RunToMake or None
        What to make next: on the same card where there is something, in the same cell first.
    """

    run: PlacedRun | UnreadableFile
    flag: Flag | None
    others_pct: float | None
    n_others: int
    coverage: Coverage
    next_run: RunToMake | None


def newest_run(
    design: ReviewDesign,
    runs: Sequence[PlacedRun],
    newest: PlacedRun | UnreadableFile,
    *,
    unreadable: Sequence[UnreadableFile] = (),
    order: Sequence[Step] = (),
) -> NewestRun:
    """Set the newest run beside the others.

    Parameters
    ----------
    design : ReviewDesign
    runs : sequence of PlacedRun
        All that could be measured, the newest as well.
    newest : PlacedRun or UnreadableFile
    unreadable : sequence of UnreadableFile
        Captures that could not be measured.
    order : sequence of Step
        In which runs are made, where the plan says it.

    Raises
    ------
    RunSetError
        When runs were put together that were not made under the same conditions.
    """
    flags, coverage = flags_and_coverage(design, runs, unreadable)
    place = (newest.card, newest.scene, newest.resolution)
    others_pct, n_others = None, 0
    if isinstance(newest, PlacedRun):
        others = [
            value
            for run in runs
            if run.place == place
            and run.name not in {newest.name, *flags, *design.exclusions}
            and (value := run.value(design.headline)) is not None
        ]
        own, n_others = newest.value(design.headline), len(others)
        if others and own is not None and min([own, *others]) > 0.0:
            others_pct = 100.0 * (own / math.exp(math.fsum(map(math.log, others)) / len(others)) - 1.0)
    return NewestRun(
        run=newest,
        flag=flags.get(newest.name) if isinstance(newest, PlacedRun) else None,
        others_pct=others_pct,
        n_others=n_others,
        coverage=coverage,
        next_run=next_to_make(coverage, place, run=newest.run, order=order),
    )


def next_to_make(
    coverage: Coverage, place: tuple[str, str, str] | None = None, *, run: str = "", order: Sequence[Step] = ()
) -> RunToMake | None:
    """What to make next after a run at ``place``: a card is changed only when nothing is left to do on it.

    In an ``order``, when nothing is left to do in this stint on the card; what is not in it comes last.
    """
    if order:
        return _next_in_order(coverage, None if place is None else (*place, run), order)
    if place is None:
        return next(iter(coverage.to_make), None)
    card, scene, resolution = place
    return min(
        coverage.to_make,
        key=lambda run: (run.card != card, run.scene != scene, run.resolution != resolution),
        default=None,
    )


def _next_in_order(
    coverage: Coverage, newest: tuple[str, str, str, str] | None, order: Sequence[Step]
) -> RunToMake | None:
    places = {_numbered(step[:4]): at for at, step in enumerate(order)}
    here = -1 if newest is None else places.get(_numbered(newest), -1)
    stint = order[max(here, 0)].stint

    def rank(run: RunToMake) -> tuple[bool, bool, int]:
        at = places.get(_numbered((run.card, run.scene, run.resolution, run.run)), len(order))
        is_here = newest is not None and run.card == newest[0] and at < len(order) and order[at].stint <= stint
        return not is_here, not is_here and at < here, at

    return min(coverage.to_make, key=rank, default=None)


def _numbered(run: tuple[str, str, str, str]) -> tuple[str, str, str, str]:
    """A run by its number, however that is written (``02`` is run 2)."""
    return *run[:3], run[3].lstrip("0")
