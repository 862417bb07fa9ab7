"""Words and numbers of a review, the same on the terminal, in Markdown and in the report."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from frametime.caveats import Caveat
from frametime.render.numbers import NOT_AVAILABLE
from frametime.render.tables.parts import label_cell, notes_of, sentence_case
from frametime.render.tables.table import Cell
from frametime.review.result import Coverage, CoverageCell, ReviewResult
from frametime.review.result_tables import Verdict
from frametime.statistics.differences import Interval
from frametime.units import shown_unit
from frametime.words import percent_change_words

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
    return f"make {cell.n_planned - cell.n_usable} more"


def coverage_sentence(coverage: Coverage) -> str:
    """Whether the bench can be taken down."""
    if coverage.is_complete:
        return f"Complete: every cell has its runs ({coverage.n_usable} usable, {coverage.n_planned} planned)."
    n = len(coverage.to_make)
    runs = "runs" if n != 1 else "run"
    return f"Not complete: {n} {runs} to make ({coverage.n_usable} usable, {coverage.n_planned} planned)."


def cell_name(result: ReviewResult, scene: str, resolution: str) -> str:
    """``Harbor at 1440p``."""
    return f"{result.scene(scene).label} at {resolution}"


class ReviewWords:
    """Labels of cards, scenes, cuts and metrics of one result, and the phrases built from them."""

    def __init__(self, result: ReviewResult) -> None:
        self.cards = {entry.key: entry.label for entry in result.cards}
        self.scenes = {entry.key: entry.label for entry in result.scenes}
        self.cuts = {entry.key: entry.label for entry in result.cuts}
        self.metrics = {entry.key: entry for entry in result.metrics}
        self.baseline = self.cards[result.baseline]
        self.headline = self.metrics[result.headline]

    def metric_heading(self, key: str) -> str:
        """Label and unit: the heading of a column."""
        entry = self.metrics[key]
        unit = shown_unit(entry.unit)
        return sentence_case(f"{entry.label} ({unit})" if unit and unit not in entry.label else entry.label)

    def better(self, key: str) -> str:
        """Which way is better, as the end of a caption."""
        better = self.metrics[key].better
        return "neither way is better" if better == "neither" else f"{better} is better"

    def difference_hint(self, key: str) -> str:
        """What the sign of a difference means for this metric."""
        better = self.metrics[key].better
        if better == "neither":
            return "no sign is better"
        return f"{'plus' if better == 'higher' else 'minus'} is better"

    def labels(self, item: object, caveats: Iterable[Caveat] = (), *, on: str = "") -> dict[str, Cell]:
        """What an entry of the result is of, for columns of labels; its caveats stand ``on`` one of them."""
        known = {
            "scene": self.scenes,
            "cut": self.cuts,
            "metric": {key: self.metric_heading(key) for key in self.metrics},
        }
        known |= {"card": self.cards, "candidate": self.cards}
        notes = notes_of(caveats)
        return {
            name.replace("candidate", "card"): label_cell(labels[key], key, notes=notes if name == on else ())
            for name, labels in known.items()
            if (key := getattr(item, name, None)) is not None
        }


def first_reason(caveats: Iterable[Caveat], otherwise: str) -> str:
    """The message of the first caveat, which says why a number is missing; else ``otherwise``."""
    return next((caveat.message for caveat in caveats), otherwise)
