"""What the charts of a review have in common: names, marks of the verdicts, pages of cells, sentences."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Final, TypeVar

from frametime.render.charts.chart_sheet import KeyEntry
from frametime.render.review_words import VERDICTS
from frametime.render.text_fit import drawable, shorten, text_width_pt
from frametime.render.theme import Palette, Theme
from frametime.review.result import ReviewResult
from frametime.review.result_tables import CellComparison, OverallComparison, Standing, Verdict
from frametime.statistics.differences import Interval
from frametime.units import FRAMES_PER_SECOND

Cell = tuple[str, str]
Page = TypeVar("Page")

MOST_ROWS: Final = 16
"""Rows of cells that one figure can hold; more are drawn on further pages."""

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
        KeyEntry(label=verdict, kind="marker", color=mark.color, marker=mark.marker, filled=verdict != "undecided")
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
    n_pages = max(1, -(-len(cells) // most))
    length, longer = divmod(len(cells), n_pages)
    pages, start = [], 0
    for number in range(n_pages):
        stop = start + length + (number < longer)
        pages.append(tuple(cells[start:stop]))
        start = stop
    return pages


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


def mean_interval(standing: Standing | None) -> Interval | None:
    """The interval of a card's ratio to the baseline, carried over to its mean."""
    if standing is None or standing.interval is None or standing.mean_value is None or not standing.ratio_to_baseline:
        return None
    scale = standing.mean_value / standing.ratio_to_baseline
    return replace(standing.interval, low=standing.interval.low * scale, high=standing.interval.high * scale)


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


def pair_title(result: ReviewResult, candidate: str, rest: str, theme: Theme) -> str:
    """ "Candidate against baseline" and ``rest`` on one line of a title, on a narrow page on two.

    Long labels share what room there is.
    """
    line = theme.size.width_pt - 3.2 * theme.em_pt
    room = (1.7 * line if theme.is_narrow else line) - text_width_pt(f" against {rest}", theme.title_pt, bold=True)
    labels = [result.card(key).label for key in (candidate, result.baseline)]
    widths = [text_width_pt(drawable(label), theme.title_pt, bold=True) for label in labels]
    if sum(widths) > room:
        least = min(widths)
        shares = [max(room - least, room / 2.0) if width > least else min(least, room / 2.0) for width in widths]
        if widths[0] == widths[1]:
            shares = [room / 2.0] * 2
        labels = [shorten(label, share, theme.title_pt, bold=True) for label, share in zip(labels, shares, strict=True)]
    return f"{labels[0]} against {labels[1]}{rest}"


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


def is_rate(unit: str) -> bool:
    """Whether a metric counts frames a second."""
    return unit == FRAMES_PER_SECOND
