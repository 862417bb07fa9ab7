"""Words of a review, the same on the terminal, in Markdown and on the page: labels, phrases, caveats by kind."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Final

from frametime.caveats import Caveat, Weight, caveat_title
from frametime.render.numbers import NOT_AVAILABLE
from frametime.render.tables.parts import notes_of
from frametime.render.tables.table import Cell, Column
from frametime.review.result import Coverage, CoverageCell, ReviewResult, RunEntry
from frametime.review.result_tables import Verdict
from frametime.review.sentence import span_words
from frametime.statistics.interval import Interval
from frametime.words import begun, counted, first_of, joined, percent_change_words

_MOST_CARDS: Final = 6
"""Cards that a sentence names; of more it names some, and counts the others."""
VERDICTS: Final[tuple[Verdict, ...]] = ("ahead", "tied", "behind", "undecided")
"""In the order in which they are told."""


def change_words(ratio: float | None, interval: Interval | None) -> str:
    """``+5.2 % (+4.1 to +6.3 %)``, or n/a.

    Examples
    --------
    >>> change_words(1.052, Interval(low=1.041, high=1.063, level=0.95, method="t interval"))
    '+5.2 % (+4.1 to +6.3 %)'
    """
    return NOT_AVAILABLE if ratio is None else percent_change_words(ratio, interval)


def coverage_words(cell: CoverageCell) -> str:
    """``3 of 3``, ``2 of 3``: usable runs of those planned; with the looks of a plan ``3 of 5, make 2 more``."""
    told = f"{cell.n_usable} of {cell.n_planned}"
    return told if cell.look is None else f"{told}, {look_words(cell)}"


def look_words(cell: CoverageCell) -> str:
    """How a cell stands by the looks of the plan."""
    if cell.look in ("decided", "leave"):
        return "decided" if cell.look == "decided" else "leave it"
    missing = cell.n_planned - cell.n_usable
    return f"make {missing} more" if missing > 0 else "waits"


def coverage_sentence(coverage: Coverage) -> str:
    """Whether the bench can be taken down."""
    if coverage.is_complete:
        return f"Complete: every cell has its runs ({coverage.n_usable} usable, {coverage.n_planned} planned)."
    to_make = counted(len(coverage.to_make), "run")
    return f"Not complete: {to_make} to make ({coverage.n_usable} usable, {coverage.n_planned} planned)."


def remarks(run: RunEntry) -> list[str]:
    """What is particular to a run, in a word each."""
    return [word for word, applies in (("flagged", run.flag), ("left out", run.excluded_reason)) if applies]


def metric_heading(result: ReviewResult, key: str) -> str:
    """Label and unit of a metric: the heading of a column."""
    entry = result.metric(key)
    return begun(Column(key, entry.label, unit=entry.unit).heading)


def count_words(numbers: Sequence[int]) -> str:
    """Runs a cell, as one number or a range.

    Examples
    --------
    >>> count_words([3, 3]), count_words([1, 3]), count_words([])
    ('3 runs', '1 to 3 runs', 'no runs')
    """
    return f"{span_words(numbers)} run{'s' * (max(numbers) != 1)}" if numbers else "no runs"


def powered_runs(result: ReviewResult, cut: str) -> str:
    """Runs with power of each card in each cell on which all numbers of power rest."""
    cells = result.cells_of(cut, "power")
    has = Counter(run.place for run in result.runs if run.values.get("average_power_w") and not run.excluded_reason)
    return count_words([has[card, *cell] for card in cells.cards for cell in cells.cells])


def better_words(result: ReviewResult, key: str) -> str:
    """Which way is better, as the end of a caption."""
    better = result.metric(key).better
    return "neither way is better" if better == "neither" else f"{better} is better"


def difference_hint(result: ReviewResult, key: str) -> str:
    """What the sign of a difference means for this metric."""
    sign = {"neither": "no sign", "higher": "plus", "lower": "minus"}[result.metric(key).better]
    return f"{sign} is better"


def labels_of(result: ReviewResult, item: object, caveats: Iterable[Caveat] = (), *, on: str = "") -> dict[str, Cell]:
    """What an entry of the result is of, for columns of labels; its caveats stand ``on`` one of them."""
    label_of: Mapping[str, Callable[[str], str]] = {
        "scene": lambda key: result.scene(key).label,
        "cut": lambda key: result.cut(key).label,
        "metric": partial(metric_heading, result),
        **dict.fromkeys(("card", "candidate"), result.label),
    }
    notes = notes_of(caveats)
    return {
        name.replace("candidate", "card"): Cell(content=(label(key),), data=key, notes=notes if name == on else ())
        for name, label in label_of.items()
        if (key := getattr(item, name, None)) is not None
    }


@dataclass(frozen=True, kw_only=True)
class PlacedCaveat:
    """A caveat and what it is a caveat of.

    Attributes
    ----------
    caveat : Caveat
    card : str
        Key of the card; empty for the whole review.
    cell : tuple of str or None
        Keys of scene and resolution; ``None`` above single cells.
    cut : str
        Key of the cut where it bears on a mean over cells, else empty.
    """

    caveat: Caveat
    card: str = ""
    cell: tuple[str, str] | None = None
    cut: str = ""


@dataclass(frozen=True, kw_only=True)
class CaveatGroup:
    """All caveats of one kind, in the order in which the result holds them; the weight is the greatest of theirs."""

    code: str
    members: tuple[PlacedCaveat, ...]

    @property
    def title(self) -> str:
        """The kind in words."""
        return caveat_title(self.code)

    @property
    def weight(self) -> Weight:
        """The greatest weight of the members."""
        return min((item.caveat.weight for item in self.members), key=lambda weight: weight.place)


def placed_caveats(result: ReviewResult) -> list[PlacedCaveat]:
    """Every caveat once, at the place that it is about: what a mean carries up from its cells stands with them."""
    told: list[tuple[Iterable[Caveat], str, tuple[str, str] | None, str]] = [(result.caveats, "", None, "")]
    for cell in result.cells:
        of_metrics = (caveat for estimate in cell.estimates.values() for caveat in estimate.caveats)
        told.append(((*cell.caveats, *of_metrics), cell.card, (cell.scene, cell.resolution), ""))
    told += [(item.caveats, item.candidate, (item.scene, item.resolution), "") for item in result.comparisons]
    told += [(spread.caveats, spread.card, None, "") for spread in result.repeatability]
    told += [(item.caveats, item.candidate, None, item.cut) for item in result.overall]
    told += [(row.caveats, row.card, None, row.cut) for row in result.value]
    told += [(row.caveats, row.card, None, row.cut) for row in result.efficiency]
    placed = (PlacedCaveat(caveat=one, card=card, cell=at, cut=cut) for found, card, at, cut in told for one in found)
    return [item for item in dict.fromkeys(placed) if not item.caveat.is_carried]


def caveat_groups(placed: Iterable[PlacedCaveat]) -> tuple[CaveatGroup, ...]:
    """Caveats by their code, the weightiest kind first, otherwise in the order given."""
    by_code: dict[str, list[PlacedCaveat]] = {}
    for item in placed:
        by_code.setdefault(item.caveat.code, []).append(item)
    groups = (CaveatGroup(code=code, members=tuple(found)) for code, found in by_code.items())
    return tuple(sorted(groups, key=lambda group: group.weight.place))


def group_words(result: ReviewResult, group: CaveatGroup) -> str:
    """One sentence for a kind: what it says in full where that is one message, else the kind, a count and the places.

    Messages of the review as a whole or of means over cells are each told; of which cards, as far as these are few.
    """
    messages, told = list(dict.fromkeys(item.caveat.message for item in group.members)), []
    for message in messages:
        places = places_of(result, [item for item in group.members if item.caveat.message == message])
        is_named = places not in message and (len(messages) == 1 or places.count("; ") < 3)
        told.append(f"{begun(places)}: {message}" if is_named else message)
    cells = len({(item.card, item.cell) for item in group.members if item.cell is not None})
    if len(told) > 1 and cells:
        return f"{group.title} ({counted(cells, 'run set')}): {places_of(result, group.members)}."
    return told[0] if len(told) == 1 else f"{group.title} ({len(told)}): {' '.join(told)}"


def places_of(result: ReviewResult, members: Sequence[PlacedCaveat]) -> str:
    """``Birch 9 in Harbor at 1080p/1440p; every card in every cell``; cells under the cards they share.

    Places above cells (a whole card) are named by the card, and only where no cell of it is named.
    """
    cards_of: dict[tuple[str, str], list[str]] = {}
    for item in members:
        if item.cell is not None and item.card not in cards_of.setdefault(item.cell, []):
            cards_of[item.cell].append(item.card)
    by_cards: dict[tuple[str, ...], list[tuple[str, str]]] = {}
    order = {card.key: at for at, card in enumerate(result.cards)}
    for cell, cards in cards_of.items():
        by_cards.setdefault(tuple(sorted(cards, key=order.__getitem__)), []).append(cell)
    parts = [f"{_card_words(result, cards)} {_cell_words(result, cells)}" for cards, cells in by_cards.items()]
    named = {card for cards in by_cards for card in cards}
    whole = dict.fromkeys(item.card for item in members if item.cell is None and item.card and item.card not in named)
    return "; ".join([*parts, _card_words(result, list(whole))] if whole else parts)


def _card_words(result: ReviewResult, cards: Sequence[str]) -> str:
    if len(cards) == len(result.cards) > 2:
        return "every card"
    labels = list(map(result.label, cards))
    return joined(labels) if len(labels) <= _MOST_CARDS else first_of(labels, _MOST_CARDS - 1)


def _cell_words(result: ReviewResult, cells: Sequence[tuple[str, str]]) -> str:
    by_scene: dict[str, list[str]] = {}
    for scene, resolution in cells:
        by_scene.setdefault(scene, []).append(resolution)
    order = [scene.key for scene in result.scenes]
    if len(cells) == len(result.scenes) * len(result.resolutions) > 2:
        return "in every cell"
    return "in " + ", ".join(
        f"{result.scene(scene).label} at {'/'.join(sorted(by_scene[scene], key=result.resolutions.index))}"
        for scene in sorted(by_scene, key=order.index)
    )


def place_name(result: ReviewResult, item: PlacedCaveat) -> str:
    """What a single caveat is of: the review, a card, a card over a cut, or a card in a cell."""
    if not item.card:
        return "the review"
    card = result.label(item.card)
    if item.cell is not None:
        return f"{card}, {result.cell_label(*item.cell)}"
    return f"{card}, {result.cut(item.cut).label}" if item.cut else card
