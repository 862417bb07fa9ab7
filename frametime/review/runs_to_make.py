"""What the bench still has to do: runs that stand out from their set, and what is missing of the plan."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from itertools import count, filterfalse, islice
from types import MappingProxyType
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.caveats import Caveat
from frametime.lab.looks import levels_at
from frametime.lab.sessions import Step
from frametime.review.card_repeatability import CardSpread, grubbs_of, in_percent, laws_of_others, least_distance
from frametime.review.cell_comparisons import MetricMeans, runs_that_decide
from frametime.review.design import Place, ReviewDesign, named
from frametime.review.result import Coverage, CoverageCell, Flag, LookState, RepeatReason, RunToMake, UnreadableFile
from frametime.review.run_set import ZERO, PlacedRun, RunSet, natural_order
from frametime.review.sentence import caveat_of, method
from frametime.statistics.differences import mean_difference
from frametime.statistics.shared_scatter import ScatterLaw, StandsOut, run_that_stands_out
from frametime.words import begun, counted


def flagged_runs(sets: Sequence[RunSet], spreads: Sequence[CardSpread], design: ReviewDesign) -> dict[str, Flag]:
    """Runs that lie too far from the rest of their set, by name; of several metrics the worst case, and the headline.

    The 5 % hold for the review as a whole, all its runs and metrics: of twenty reviews without a bad run, one flags a
    run.
    """
    flags: dict[str, Flag] = {}
    worst: dict[str, float] = {}
    n_tests = values_looked_at(sets, spreads)
    for metric in dict.fromkeys(spread.metric for spread in spreads):
        by_card = {spread.card: spread for spread in spreads if spread.metric == metric}
        for run_set, found, others in _standing_out(by_card.values(), n_tests, least_distance(design.margin)):
            spread = by_card[run_set.card]
            name, severity = run_set.runs[found.position].name, abs(found.distance) / found.limit
            if severity > worst.get(name, 0.0):
                beside = next(one for one in spreads if (one.card, one.metric) == (spread.card, design.headline))
                worst[name], flags[name] = severity, _flag(spread, beside, found, others, n_tests, run_set)
    return flags


def _standing_out(
    spreads: Collection[CardSpread], n_tests: int, floor: float
) -> Iterator[tuple[RunSet, StandsOut, ScatterLaw | None]]:
    """Runs that stand out by one metric, of which these are the cards.

    Once a run is found, the others are looked at again without it: two spoiled runs must not hide each other.
    """
    logs = _logs_of(spreads)
    waiting = {run_set.place: run_set for spread in spreads for run_set in spread.whole}
    is_new = True
    while is_new:
        is_new, others = False, laws_of_others(logs)
        for place, run_set in list(waiting.items()):
            law = others.get(place)
            found = run_that_stands_out(logs[place], others=law, n_tests=n_tests, floor=floor)
            if found is not None:
                yield run_set, found, law
                del waiting[place]
                logs[place], is_new = np.delete(logs[place], found.position), True


def _logs_of(spreads: Iterable[CardSpread]) -> dict[Place, NDArray[np.float64]]:
    return {place: logs for spread in spreads for place, logs in spread.logs.items()}


def values_looked_at(sets: Sequence[RunSet], spreads: Sequence[CardSpread]) -> int:
    """Runs times metrics of the review, over which the 5 % of a flag hold."""
    return len({spread.metric for spread in spreads}) * sum(len(run_set.runs) for run_set in sets)


def exclusion_caveats(run: PlacedRun, spreads: Sequence[CardSpread], *, margin: float, n_tests: int) -> list[Caveat]:
    """What leaving out a run that stood out may cost: the mean moves, and no interval counts that.

    Wide enough for a good run that was left out, the interval of a cell whose run was spoiled would be three times as
    wide as it need be (in the simulation of the tests), so the price is told instead.
    """
    caveats = []
    for spread in spreads:
        logs, value = spread.logs.get(run.place), run.value(spread.metric)
        if logs is None or value is None or value <= ZERO:
            continue
        laws = laws_of_others(_logs_of(other for other in spreads if other.metric == spread.metric))
        full, others = np.append(logs, math.log(value)), laws.get(run.place)
        found = run_that_stands_out(full, others=others, n_tests=n_tests, floor=least_distance(margin))
        if found is not None and found.position == logs.size:
            shift = in_percent(float(full.mean() - logs.mean()))
            words = {"size": abs(shift), "way": "higher" if shift > 0 else "lower"}
            caveats.append(caveat_of("left-out-run", spread.metric, run=run.run, label=spread.label, **words))
    return caveats


def _flag(
    spread: CardSpread, headline: CardSpread, found: StandsOut, others: ScatterLaw | None, n_tests: int, run_set: RunSet
) -> Flag:
    # Both on the same side: a run can lie 100 % below at most, and any amount above.
    distance, limit = in_percent(found.distance), abs(in_percent(math.copysign(found.limit, found.distance)))
    grubbs = grubbs_of(run_set, spread.metric)
    assert grubbs is not None, "a flagged run has two others in its set, and lies off them"
    whose = "the card's" if others is not None and others.group == spread.card else "the review's"
    cells = None if others is None else f"{whose} {counted(others.n_sets, 'other cell')}"
    logs, told = headline.logs.get(run_set.place), ""
    if headline.metric != spread.metric and logs is not None and logs.size == len(run_set.runs):
        beside = in_percent(float(logs[found.position] - np.delete(logs, found.position).mean()))
        told = f" In {headline.label} the run is {_off(beside)} the others."
    return Flag(
        metric=spread.metric,
        distance_pct=distance,
        limit_pct=limit,
        method=method("flag-chance", n=n_tests, others=cells or "nothing else"),
        sentence=(
            f"The {spread.label} is {_off(distance)} the mean of the other {len(run_set.runs) - 1} runs of its set; "
            f"normal variation on this card is at most {limit:.1f} % "
            f"(from {f'these and {cells}' if cells else 'these alone'}).{told}"
        ),
        grubbs=grubbs,
    )


def _off(distance_pct: float) -> str:
    return f"{abs(distance_pct):.1f} % {'above' if distance_pct > 0 else 'below'}"


class Waiting(NamedTuple):
    """How a cell of a card stands by the looks of the plan, and the runs of each card that it waits for."""

    look: LookState | None
    n_runs: int


def waiting_for_looks(table: MetricMeans) -> dict[Place, Waiting]:
    """Each cell of each card by one metric; nothing where the plan names no looks."""
    found: dict[Place, Waiting] = {}
    design = table.design
    for cell in design.cells if design.looks else ():
        own = {card: _waiting(table, ((card, *cell), (design.baseline, *cell))) for card in design.candidates}
        found |= {(card, *cell): waiting for card, waiting in own.items()}
        # The baseline waits as long as any candidate does, and else is left where one is.
        rivals = [waiting for card, waiting in own.items() if card not in design.shelved]
        found[design.baseline, *cell] = max(
            rivals or [Waiting("decided", design.looks[0])],
            key=lambda one: (("decided", "leave", "first look", "more").index(one.look or ""), one.n_runs),
        )
    return found


def _waiting(table: MetricMeans, places: tuple[Place, Place]) -> Waiting:
    means, looks = [table.means[place] for place in places if place in table.means], table.design.looks
    n_runs = min(mean.n_runs for mean in means) if len(means) == 2 else 0
    reached = [n for n in looks if n <= n_runs]
    if not reached:
        return Waiting("first look", looks[0])
    difference = mean_difference(*means)
    if table.decided(difference, levels_at(looks, n_runs)).verdict != "undecided":
        return Waiting("decided", reached[-1])
    later = [n for n in looks if n > n_runs]
    if not later or runs_that_decide(table, places, difference).at_margin:
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
    for run in sorted(runs, key=lambda run: natural_order(run.run)):
        if run.place in of_place:
            of_place[run.place].append(run)
    planned = Waiting(None, design.runs_planned)
    cells = tuple(
        _cell(design, place, members, flags, unreadable, waiting.get(place, planned))
        for place, members in of_place.items()
    )
    return Coverage(
        cells=cells,
        n_planned=sum(cell.n_planned for cell in cells),
        n_usable=sum(min(cell.n_usable, cell.n_planned) for cell in cells),
        is_complete=all(not cell.to_make for cell in cells),
    )


def _cell(
    design: ReviewDesign,
    place: Place,
    runs: Sequence[PlacedRun],
    flags: Mapping[str, Flag],
    unreadable: Sequence[UnreadableFile],
    waiting: Waiting,
) -> CoverageCell:
    broken = [item for item in unreadable if item.place == place]
    to_make = [(run.run, *why) for run in runs if (why := _why_again(run, design, flags)) is not None]
    to_make += [(item.run, "unreadable", f"It cannot be used: {item.error}") for item in broken]
    taken = [run.run for run in runs] + [item.run for item in broken]
    n_usable = len(taken) - len(to_make)
    why_missing = "No capture was found."
    if waiting.look == "more":
        why_missing = f"The cell is undecided: its next look is at {waiting.n_runs} runs."
    n_missing = max(0, waiting.n_runs - len(taken))
    to_make += [(name, "missing", why_missing) for name in _free_names(set(taken), n_missing)]
    return CoverageCell(
        **named(place),
        n_planned=waiting.n_runs,
        present=tuple(run.run for run in runs),
        # Where more runs were made than planned, good ones make up for bad ones.
        to_make=tuple(
            RunToMake(**named(place), run=run, reason=reason, sentence=sentence)
            for run, reason, sentence in to_make[: max(0, waiting.n_runs - n_usable)]
        ),
        n_usable=n_usable,
        look=waiting.look,
    )


def _why_again(run: PlacedRun, design: ReviewDesign, flags: Mapping[str, Flag]) -> tuple[RepeatReason, str] | None:
    if run.name in design.exclusions:
        return "excluded", f"The plan leaves it out: {design.exclusions[run.name]}"
    if run.measured.judgement.word == "repeat this run":
        return "rejected", f"{begun('; '.join(run.measured.judgement.reasons).rstrip('.'))}."
    return ("flagged", flags[run.name].sentence) if run.name in flags else None


def _free_names(taken: set[str], n: int) -> list[str]:
    """The first numbers that no run bears yet, written as the others are (``02`` beside ``01``)."""
    numbers = [name for name in taken if name.isdecimal()]
    width = max(map(len, numbers), default=1)
    free = filterfalse({int(name) for name in numbers}.__contains__, count(1))
    return [str(number).zfill(width) for number in islice(free, n)]


def next_to_make(
    coverage: Coverage, place: Place | None = None, *, run: str = "", order: Sequence[Step] = ()
) -> RunToMake | None:
    """What to make next after a run at ``place``: a card is changed only when nothing is left to do on it.

    In an ``order``, when nothing is left to do in this stint on the card; what is not in it comes last.
    """
    places = {_numbered(*step[:4]): at for at, step in enumerate(order)}
    here = -1 if place is None else places.get(_numbered(*place, run), -1)

    def rank(one: RunToMake) -> tuple[bool, ...] | tuple[bool, bool, int]:
        if place is not None and not order:
            return one.card != place[0], one.scene != place[1], one.resolution != place[2]
        at = places.get(_numbered(*one.place, one.run), len(order))
        is_on_card = place is not None and one.card == place[0]
        is_here = is_on_card and at < len(order) and order[at].stint <= order[max(here, 0)].stint
        return not is_here, not is_here and at < here, at

    return min(coverage.to_make, key=rank, default=None)


def _numbered(card: str, scene: str, resolution: str, run: str) -> tuple[str, str, str, str]:
    """A run by its number, however that is written (``02`` is run 2)."""
    return card, scene, resolution, run.lstrip("0")
