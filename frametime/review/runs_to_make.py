"""What the bench still has to do: runs that stand out from their set, and what is missing of the plan."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from itertools import count, filterfalse, islice
from types import MappingProxyType
from typing import NamedTuple

import numpy as np

from frametime.caveats import Caveat, Weight
from frametime.lab.looks import levels_at
from frametime.lab.sessions import Step
from frametime.review.card_repeatability import CardSpread, grubbs_of, in_percent, laws_of_others, least_distance
from frametime.review.cell_comparisons import MetricMeans, runs_that_decide
from frametime.review.cell_summaries import metric_caveat
from frametime.review.design import ReviewDesign
from frametime.review.result import (
    Coverage,
    CoverageCell,
    Flag,
    GrubbsOutcome,
    LookState,
    RepeatReason,
    RunToMake,
    UnreadableFile,
)
from frametime.review.run_set import ZERO, Place, PlacedRun, RunSet, natural_order
from frametime.statistics.differences import mean_difference
from frametime.statistics.repeatability import ScatterLaw, StandsOut, run_that_stands_out
from frametime.words import counted

FLAG_METHOD = "chance below 5 % over all {n} values of the review, by the rest of the set and {others}"


def flagged_runs(
    sets: Sequence[RunSet], spreads: Mapping[tuple[str, str], CardSpread], *, margin: float
) -> dict[str, Flag]:
    """Runs that lie too far from the rest of their set, by name; of several metrics the worst case is told.

    The 5 % hold for the review as a whole, all its runs and metrics: of twenty reviews without a bad run, one flags a
    run.
    """
    flags: dict[str, tuple[float, Flag]] = {}
    n_tests = values_looked_at(sets, spreads)
    for (card, _), spread in spreads.items():
        own_sets = [run_set for run_set in sets if run_set.card == card]
        for run_set, found, others in _standing_out(spread, own_sets, n_tests, least_distance(margin)):
            name = run_set.runs[found.position].name
            severity = abs(found.distance) / found.limit
            if name not in flags or severity > flags[name][0]:
                flags[name] = (severity, _flag(spread, found, others, n_tests, run_set))
    return {name: flag for name, (_, flag) in flags.items()}


def _standing_out(
    spread: CardSpread, sets: Sequence[RunSet], n_tests: int, floor: float
) -> Iterator[tuple[RunSet, StandsOut, ScatterLaw | None]]:
    """Runs of one card that stand out by one metric.

    Once a run is found, the others are looked at again without it: two spoiled runs must not hide each other.
    """
    logs, others = dict(spread.logs), spread.others
    waiting = [run_set for run_set in sets if run_set.place in logs and logs[run_set.place].size == len(run_set.runs)]
    is_new = True
    while is_new:
        is_new = False
        for run_set in list(waiting):
            place = run_set.place
            found = run_that_stands_out(logs[place], others=others.get(place), n_tests=n_tests, floor=floor)
            if found is not None:
                yield run_set, found, others.get(place)
                waiting.remove(run_set)
                logs[place], is_new = np.delete(logs[place], found.position), True
        others = laws_of_others(logs) if is_new else others


def values_looked_at(sets: Sequence[RunSet], spreads: Mapping[tuple[str, str], CardSpread]) -> int:
    """Runs times metrics of the review, over which the 5 % of a flag hold."""
    return len({metric for _, metric in spreads}) * sum(len(run_set.runs) for run_set in sets)


def exclusion_caveats(
    run_set: RunSet,
    excluded: Sequence[PlacedRun],
    spreads: Mapping[tuple[str, str], CardSpread],
    *,
    margin: float,
    n_tests: int,
) -> list[Caveat]:
    """What leaving out a run that stood out may cost: the mean moves, and no interval counts that.

    Wide enough for a good run that was left out, the interval of a cell whose run was spoiled would be three times as
    wide as it need be (in the simulation of the tests), so the price is told instead.
    """
    caveats = []
    for run in excluded:
        for (card, metric), spread in spreads.items():
            logs, value = spread.logs.get(run_set.place), run.value(metric)
            if card != run_set.card or run.place != run_set.place or logs is None or value is None or value <= ZERO:
                continue
            full = np.append(logs, math.log(value))
            others = spread.others.get(run_set.place)
            found = run_that_stands_out(full, others=others, n_tests=n_tests, floor=least_distance(margin))
            if found is None or found.position != logs.size:
                continue
            shift = in_percent(float(full.mean() - logs.mean()))
            message = (
                f"Run {run.run}, which stands out, is left out. With it the {spread.label} here would be "
                f"{abs(shift):.1f} % {'higher' if shift > 0 else 'lower'}; the interval does not count that."
            )
            caveats.append(metric_caveat(metric, code="left-out-run", message=message))
    return caveats


def _flag(spread: CardSpread, found: StandsOut, others: ScatterLaw | None, n_tests: int, run_set: RunSet) -> Flag:
    side = "above" if found.distance > 0 else "below"
    n_rest = len(run_set.runs) - 1
    # Both on the same side: a run can lie 100 % below at most, and any amount above.
    distance, limit = in_percent(found.distance), abs(in_percent(math.copysign(found.limit, found.distance)))
    grubbs = grubbs_of(run_set, spread.metric)
    assert grubbs is not None, "a flagged run has two others in its set, and lies off them"
    cells = None if others is None else f"the card's {counted(others.n_sets, 'other cell')}"
    return Flag(
        metric=spread.metric,
        distance_pct=distance,
        limit_pct=limit,
        method=FLAG_METHOD.format(n=n_tests, others=cells or "nothing else"),
        sentence=(
            f"The {spread.label} is {abs(distance):.1f} % {side} the mean of the other {n_rest} runs of its set; "
            f"normal variation on this card is at most {limit:.1f} % "
            f"(from {f'these and {cells}' if cells else 'these alone'}). {_grubbs_words(grubbs)}"
        ),
        grubbs=grubbs,
    )


def flag_caveats(run_set: RunSet, flags: Mapping[str, Flag]) -> list[Caveat]:
    """What a set must say of its flagged runs."""
    return [
        Caveat(
            code="run-to-repeat",
            message=f"Repeat run {run.run}; until then it is included. {flags[run.name].sentence}",
            weight=Weight.REPEAT,
        )
        for run in run_set.runs
        if run.name in flags
    ]


def _grubbs_words(grubbs: GrubbsOutcome) -> str:
    """What the set alone says: with few runs it can say little, and the flag does not rest on it."""
    told = {
        "ok": "does not find it" + (": too few runs" if grubbs.n_runs < 6 else ""),
        "straggler": "calls it a straggler, too",
        "outlier": "calls it an outlier, too",
    }
    return f"Grubbs's test on the {grubbs.n_runs} runs of the set alone {told[grubbs.outcome]}."


class Waiting(NamedTuple):
    """How a cell of a card stands by the looks of the plan, and the runs of each card that it waits for."""

    look: LookState
    n_runs: int

    @property
    def is_open(self) -> bool:
        """Whether more runs are waited for."""
        return self.look in ("first look", "more")


def waiting_for_looks(design: ReviewDesign, table: MetricMeans) -> dict[Place, Waiting]:
    """Each cell of each card by one metric; nothing where the plan names no looks."""
    if not design.looks:
        return {}
    found = {
        (card, *cell): _waiting(design, table, ((card, *cell), (design.baseline, *cell)))
        for card in design.candidates
        for cell in design.cells
    }
    for cell in design.cells:
        # The baseline waits as long as any candidate does, and else is left where one is.
        rivals = [found[card, *cell] for card in design.candidates if card not in design.shelved]
        found[design.baseline, *cell] = max(
            rivals or [Waiting("decided", design.looks[0])],
            key=lambda one: (("decided", "leave").index(one.look) if not one.is_open else 2, one.n_runs),
        )
    return found


def _waiting(design: ReviewDesign, table: MetricMeans, places: tuple[Place, Place]) -> Waiting:
    means = [table.means[place] for place in places if place in table.means]
    n_runs = min(mean.n_runs for mean in means) if len(means) == 2 else 0
    reached = [n for n in design.looks if n <= n_runs]
    if not reached:
        return Waiting("first look", design.looks[0])
    difference = mean_difference(*means)
    if table.decided(difference, design.margin, levels_at(design.looks, n_runs)).verdict != "undecided":
        return Waiting("decided", reached[-1])
    later = [n for n in design.looks if n > n_runs]
    if not later or runs_that_decide(table, places, difference, design).at_margin:
        return Waiting("leave", reached[-1])
    return Waiting("more", later[0])


def coverage_of(
    design: ReviewDesign,
    runs: Sequence[PlacedRun],
    flags: Mapping[str, Flag],
    unreadable: Sequence[UnreadableFile],
    waiting: Mapping[Place, Waiting] = MappingProxyType({}),
) -> Coverage:
    """Set the plan against what was found.

    A run counts as usable when it was read, is not excluded, not flagged, and not judged to be repeated. A cell is
    complete with as many usable runs as planned, or as the look needs that it waits for; runs beyond the plan make up
    for others.
    """
    # Cards of other sessions do not lie on this bench.
    cards = [card.key for card in design.cards if card.key not in design.shelved]
    of_place: dict[Place, list[PlacedRun]] = {(card, *cell): [] for card in cards for cell in design.cells}
    for run in runs:
        if run.place in of_place:
            of_place[run.place].append(run)
    cells = tuple(
        _cell(design, place, members, flags, unreadable, waiting.get(place)) for place, members in of_place.items()
    )
    return Coverage(
        cells=cells,
        n_planned=sum(cell.n_planned for cell in cells),
        n_usable=sum(cell.n_usable for cell in cells),
        is_complete=all(not cell.to_make for cell in cells),
    )


def _cell(
    design: ReviewDesign,
    place: Place,
    runs: Sequence[PlacedRun],
    flags: Mapping[str, Flag],
    unreadable: Sequence[UnreadableFile],
    waiting: Waiting | None,
) -> CoverageCell:
    n_planned = design.runs_planned if waiting is None else waiting.n_runs
    members = sorted(runs, key=lambda run: natural_order(run.run))
    broken = [item for item in unreadable if (item.card, item.scene, item.resolution) == place]
    to_repeat = [found for run in members if (found := _repeat(run, design, flags)) is not None]
    to_repeat += [_to_make(place, item.run, "unreadable", f"It cannot be used: {item.error}") for item in broken]
    n_usable = len(members) + len(broken) - len(to_repeat)
    n_missing = max(0, n_planned - len(members) - len(broken))
    why = "There is no capture of this run."
    if waiting is not None and waiting.look == "more":
        why = f"The cell is undecided: its next look is at {waiting.n_runs} runs."
    missing = [
        _to_make(place, name, "missing", why)
        for name in _free_names({run.run for run in members} | {item.run for item in broken}, n_missing)
    ]
    wanted = max(0, n_planned - n_usable)
    return CoverageCell(
        card=place[0],
        scene=place[1],
        resolution=place[2],
        n_planned=n_planned,
        present=tuple(run.run for run in members),
        # Where more runs were made than planned, good ones make up for bad ones.
        to_make=tuple((to_repeat + missing)[:wanted]),
        n_usable=n_usable,
        look=None if waiting is None else waiting.look,
    )


def _repeat(run: PlacedRun, design: ReviewDesign, flags: Mapping[str, Flag]) -> RunToMake | None:
    if run.name in design.exclusions:
        return _to_make(run.place, run.run, "excluded", f"The plan leaves it out: {design.exclusions[run.name]}")
    if run.measured.judgement.word == "repeat this run":
        return _to_make(run.place, run.run, "rejected", _sentence("; ".join(run.measured.judgement.reasons)))
    if run.name in flags:
        return _to_make(run.place, run.run, "flagged", flags[run.name].sentence)
    return None


def _to_make(place: Place, run: str, reason: RepeatReason, sentence: str) -> RunToMake:
    return RunToMake(card=place[0], scene=place[1], resolution=place[2], run=run, reason=reason, sentence=sentence)


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:].rstrip(".") + "."


def _free_names(taken: set[str], n: int) -> list[str]:
    """The first numbers that no run bears yet, written as the others are (``02`` beside ``01``)."""
    width = max((len(name) for name in taken if name.isdecimal()), default=1)
    used = {int(name) for name in taken if name.isdecimal()}
    return [str(number).zfill(width) for number in islice(filterfalse(used.__contains__, count(1)), n)]


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
