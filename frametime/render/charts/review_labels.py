"""What the charts of a review have in common: names, marks of the verdicts, pages of cells, sentences."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from types import MappingProxyType
from typing import Final, TypeVar

from frametime.render.charts.chart_sheet import KeyEntry
from frametime.render.charts.text_fit import drawable, shorten, text_width_pt
from frametime.render.charts.theme import Palette, Theme
from frametime.render.review_words import VERDICTS
from frametime.review.result import ReviewResult
from frametime.review.result_tables import CellComparison, OverallComparison, TableCells, Verdict
from frametime.units import FRAMES_PER_SECOND
from frametime.words import counted, joined

Cell = tuple[str, str]
Page = TypeVar("Page")

MOST_ROWS: Final = 16
"""Rows of cells that one figure can hold; more are drawn on further pages."""

_WHOLE_FROM_PCT: Final = 5.0

_MARKERS: Final[Mapping[Verdict, str]] = MappingProxyType({"ahead": ">", "tied": "s", "behind": "<", "undecided": "o"})


@dataclass(frozen=True, kw_only=True)
class VerdictMark:
    """How a verdict is drawn: shape and filling tell it without color."""

    marker: str
    color: str
    face: str


def verdict_mark(verdict: Verdict, palette: Palette) -> VerdictMark:
    """Mark of a verdict: arrows to the better and the worse side, a square for tied, a ring for undecided."""
    color = {"ahead": palette.ahead, "behind": palette.behind, "tied": palette.tied, "undecided": palette.undecided}[
        verdict
    ]
    return VerdictMark(marker=_MARKERS[verdict], color=color, face=palette.ground if verdict == "undecided" else color)


def verdict_key(palette: Palette) -> list[KeyEntry]:
    """One entry of the key for each verdict."""
    marks = {verdict: verdict_mark(verdict, palette) for verdict in VERDICTS}
    return [
        KeyEntry(verdict, mark.color, "marker", mark.marker, filled=verdict != "undecided")
        for verdict, mark in marks.items()
    ]


def cell_label(result: ReviewResult, cell: Cell) -> str:
    """Scene and resolution of a cell."""
    return f"{result.scene(cell[0]).label} · {cell[1]}"


def pages_of(cells: Sequence[Cell], most: int = MOST_ROWS) -> list[tuple[Cell, ...]]:
    """Cells in pages of about equal length.

    Examples
    --------
    >>> [len(page) for page in pages_of([("a", str(number)) for number in range(40)])]
    [14, 13, 13]
    """
    return [tuple(cells[part]) for part in even_parts(len(cells), most)]


def even_parts(count: int, most: int) -> list[slice]:
    """So many things in parts of about equal length, each of at most ``most``; one part at least.

    Examples
    --------
    >>> even_parts(12, 8)
    [slice(0, 6, None), slice(6, 12, None)]
    """
    n_parts = max(1, -(-count // most))
    length, longer = divmod(count, n_parts)
    starts = [number * length + min(number, longer) for number in range(n_parts + 1)]
    return [slice(start, stop) for start, stop in pairwise(starts)]


def page_words(page: int, n_pages: int) -> str:
    """Which page this is, where there are several."""
    return "" if n_pages == 1 else f" ({page + 1} of {n_pages})"


def page_of(pages: Sequence[Page], page: int) -> Page:
    """The page of that number, from 0.

    Raises
    ------
    ValueError
        If there is no such page.
    """
    if not 0 <= page < len(pages):
        raise ValueError(f"page must be 0 to {len(pages) - 1}, got {page!r}")
    return pages[page]


def cells_words(cells: TableCells) -> str:
    """The cells on which all numbers of a chart rest: a chart says them once.

    Examples
    --------
    >>> from dataclasses import replace
    >>> whole = TableCells(
    ...     cut="all", kind="speed", cards=("a", "b"), cells=(("x", "4k"), ("y", "4k")), apart=(), apart_cells={},
    ...     left_out=(), n_planned=2,
    ... )
    >>> cells_words(whole), cells_words(replace(whole, n_planned=3))
    ('all 2 cells', '2 of 3 cells, those in which every card of the table has runs')
    """
    n_cells = len(cells.cells)
    if n_cells == cells.n_planned:
        return f"all {n_cells} cells" if n_cells != 1 else "one cell"
    has = "power" if cells.kind == "power" else "runs"
    return f"{n_cells} of {counted(cells.n_planned, 'cell')}, those in which every card of the table has {has}"


def apart_note(result: ReviewResult, cells: TableCells) -> str:
    """Names the cards that a chart leaves out because they rest on other cells."""
    named = [f"{result.card(card).label} ({counted(len(cells.of(card)), 'cell')})" for card in cells.apart]
    return f"Not drawn, for want of cells in common with the others: {joined(named)}." if named else ""


def outside_overall(result: ReviewResult, candidate: str, cuts: Sequence[str]) -> frozenset[Cell]:
    """Cells of these cuts on which the overall ratio of a candidate does not rest."""
    return frozenset(
        cell for cut in cuts for cell in result.cut(cut).cells if cell not in result.cells_of(cut).of(candidate)
    )


OUTSIDE: Final = " *"
"""Stands behind the number of a cell that does not count in the overall ratio."""

OUTSIDE_NOTE: Final = "* Not in the overall ratio and the counts: another card of the table has no runs there."


def comparisons_of(result: ReviewResult, candidate: str, metric: str) -> dict[Cell, CellComparison]:
    """The cells in which a candidate is compared."""
    return {
        (item.scene, item.resolution): item
        for item in result.comparisons
        if item.candidate == candidate and item.metric == metric
    }


def overall_of(result: ReviewResult, candidate: str, metric: str, cut: str) -> OverallComparison | None:
    """The overall comparison of a candidate in a cut."""
    for item in result.overall:
        if (item.candidate, item.metric, item.cut) == (candidate, metric, cut):
            return item
    return None


def candidates_of(result: ReviewResult) -> tuple[str, ...]:
    """Keys of the cards other than the baseline."""
    return tuple(card.key for card in result.cards if card.key != result.baseline)


def short_card(result: ReviewResult, key: str, theme: Theme, *, width_em: float = 20.0) -> str:
    """Label of a card, shortened for use in a sentence."""
    return shorten(result.card(key).label, width_em * theme.em_pt, theme.em_pt)


def _link(result: ReviewResult, overall: OverallComparison | None) -> str:
    """What stands between two cards: how much faster or slower the first is, where that is shown."""
    metric = None if overall is None else result.metric(overall.metric)
    if overall is None or overall.ratio is None or metric is None or metric.unit != FRAMES_PER_SECOND:
        return " against "
    if overall.verdict == "tied":
        return " is as fast as "
    change_pct = 100.0 * abs(overall.ratio - 1.0)
    digits = 0 if change_pct >= _WHOLE_FROM_PCT else 1
    words = {"ahead": "faster", "behind": "slower"}.get(overall.verdict)
    return f" is {change_pct:.{digits}f} % {words} than " if words else " against "


def pair_title(
    result: ReviewResult, candidate: str, rest: str, theme: Theme, overall: OverallComparison | None = None
) -> str:
    """ "Candidate is so much faster than baseline" and ``rest`` on one line of a title, on a narrow page on two.

    Long labels share what room there is; a short one leaves the rest of its half to the other.
    """
    link = _link(result, overall)
    line = theme.size.width_pt - 3.2 * theme.em_pt
    room = (1.7 * line if theme.is_narrow else line) - text_width_pt(f"{link}{rest}", theme.title_pt, bold=True)
    labels = [drawable(result.card(key).label) for key in (candidate, result.baseline)]
    widths = [min(text_width_pt(label, theme.title_pt, bold=True), room / 2.0) for label in labels]
    shares = [max(room - other, room / 2.0) for other in reversed(widths)]
    first, second = (shorten(*pair, theme.title_pt, bold=True) for pair in zip(labels, shares, strict=True))
    return f"{first}{link}{second}{rest}"


def run_counts(numbers: Sequence[int]) -> str:
    """Runs a cell, as one number or a range.

    Examples
    --------
    >>> run_counts([3, 3]), run_counts([1, 3]), run_counts([])
    ('3 runs', '1 to 3 runs', 'no runs')
    """
    if not numbers:
        return "no runs"
    least, most = min(numbers), max(numbers)
    if least == most:
        return "1 run" if least == 1 else f"{least} runs"
    return f"{least} to {most} runs"


def card_index(result: ReviewResult, key: str) -> int:
    """Number of a card in the plan, by which it has its color and mark."""
    return [card.key for card in result.cards].index(key)


def run_words(result: ReviewResult, cells: Sequence[Cell] | None = None) -> str:
    """Runs of each card in these cells, or in all."""
    return run_counts(
        [len(item.run_names) for item in result.cells if cells is None or (item.scene, item.resolution) in cells]
    )


def definition_words(result: ReviewResult, metrics: Sequence[str]) -> str:
    """What each metric is, a sentence each."""
    return " ".join(defined(result.metric(key).label, result.metric(key).definition) for key in metrics)


def same_unit_metrics(result: ReviewResult, *, most: int = 3) -> tuple[str, ...]:
    """The headline metric and those in its unit and direction, in the order of the review."""
    headline = result.metric(result.headline)
    others = [
        metric.key
        for metric in result.metrics
        if metric.key != headline.key and (metric.unit, metric.better) == (headline.unit, headline.better)
    ]
    return (headline.key, *others)[:most]


def defined(label: str, definition: str) -> str:
    """A label and its definition as one sentence.

    Examples
    --------
    >>> defined("average rate", "Frames divided by the time they took.")
    'Average rate: frames divided by the time they took.'
    """
    is_word = definition[1:2].islower()  # not an abbreviation, whose capitals stay
    start = definition[:1].lower() if is_word else definition[:1]
    return f"{label[:1].upper()}{label[1:]}: {start}{definition[1:].rstrip('.')}."
