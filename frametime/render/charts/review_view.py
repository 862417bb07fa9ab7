"""A review as its charts need it: pages, names, colors, marks of the verdicts, phrases."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, NamedTuple

import numpy as np
from matplotlib.figure import Figure

from frametime.render.charts.chart_catalog import CATALOG
from frametime.render.charts.chart_sheet import Chart
from frametime.render.charts.text_fit import drawable, shorten, text_width_pt
from frametime.render.charts.theme import Palette, SeriesStyle, Theme
from frametime.render.review_words import count_words
from frametime.review.design import MetricEntry
from frametime.review.result import ReviewResult
from frametime.review.result_tables import CellComparison, CellsKind, OverallComparison, Verdict
from frametime.units import FRAMES_PER_SECOND, shown_unit
from frametime.words import begun, continued, counted, joined

Cell = tuple[str, str]

_WHOLE_FROM_PCT: Final = 5.0
_MARKERS: Final = {entry["label"]: entry["marker"] for entry in CATALOG["matrix"].key_entries}
OUTSIDE: Final = " *"
"""Stands behind the number of a cell that does not count in the overall ratio."""


class VerdictMark(NamedTuple):
    """How a verdict is drawn: shape and filling tell it without color."""

    marker: str
    color: str
    face: str


def verdict_mark(verdict: Verdict, palette: Palette) -> VerdictMark:
    """Mark of a verdict: arrows to the better and the worse side, a square for tied, a ring for undecided."""
    color = str(getattr(palette, verdict))
    return VerdictMark(_MARKERS[verdict], color, palette.ground if verdict == "undecided" else color)


def even_parts(count: int, most: int) -> list[slice]:
    """So many things in parts of about equal length, each of at most ``most``; none of nothing.

    Examples
    --------
    >>> even_parts(12, 8), even_parts(0, 8)
    ([slice(0, 6, None), slice(6, 12, None)], [])
    """
    parts = np.array_split(np.arange(count), -(-count // most)) if count else []
    return [slice(int(part[0]), int(part[-1]) + 1) for part in parts]


@dataclass(frozen=True)
class ReviewView:
    """A review and the theme in which it is drawn."""

    result: ReviewResult
    theme: Theme
    title_end: str = ""

    @property
    def has_rivals(self) -> bool:
        """Whether there is anything to compare with."""
        return len(self.result.cards) > 1

    def metric(self, key: str | None) -> MetricEntry:
        """The metric of that key, by default the headline."""
        return self.result.metric(key or self.result.headline)

    def short(self, card: str, most_em: float = 20.0) -> str:
        """Label of a card, shortened for use in a sentence."""
        return shorten(self.result.label(card), most_em * self.theme.em_pt, self.theme.em_pt)

    def number(self, card: str) -> int:
        """Number of a card in the plan, by which it has its color and mark."""
        return [entry.key for entry in self.result.cards].index(card)

    def style(self, card: str) -> SeriesStyle:
        """Color and mark of a card."""
        return self.theme.style(self.number(card))

    def cell_label(self, cell: Cell) -> str:
        """Scene and resolution of a cell."""
        return f"{self.result.scene(cell[0]).label} · {cell[1]}"

    def compared(self, candidate: str, metric: str) -> dict[Cell, CellComparison]:
        """The cells in which a candidate is compared."""
        found = (item for item in self.result.comparisons if (item.candidate, item.metric) == (candidate, metric))
        return {(item.scene, item.resolution): item for item in found}

    def compared_runs(self, candidate: str, metric: str) -> str:
        """Runs of each side in the cells in which a candidate is compared."""
        found = [item for item in self.compared(candidate, metric).values() if item.ratio is not None]
        return count_words([count for item in found for count in (item.candidate_n_runs, item.baseline_n_runs)])

    def overall(self, candidate: str, metric: str, cut: str | None = None) -> OverallComparison | None:
        """The overall comparison of a candidate in a cut, by default in that of all cells."""
        asked = candidate, metric, cut or self.result.cuts[0].key
        return next((item for item in self.result.overall if (item.candidate, item.metric, item.cut) == asked), None)

    def outside(self, candidate: str, cut: str) -> frozenset[Cell]:
        """Cells of a cut on which the overall ratio of a candidate does not rest."""
        return frozenset(self.result.cut(cut).cells).difference(self.result.cells_of(cut).of(candidate))

    def cells_words(self, cut: str, kind: CellsKind = "speed") -> str:
        """The cells on which all numbers of a chart rest: a chart says them once."""
        cells = self.result.cells_of(cut, kind)
        n_cells = len(cells.cells)
        if n_cells == cells.n_planned:
            return f"all {n_cells} cells" if n_cells != 1 else "one cell"
        has = "power" if kind == "power" else "runs"
        return f"{n_cells} of {counted(cells.n_planned, 'cell')}, those in which every card of the table has {has}"

    def apart_words(self, cut: str, kind: CellsKind = "speed") -> str | None:
        """Names the cards that a chart leaves out because they rest on other cells."""
        cells = self.result.cells_of(cut, kind)
        return (
            joined([f"{self.result.label(card)} ({counted(len(cells.of(card)), 'cell')})" for card in cells.apart])
            or None
        )

    def runs_words(self, cells: Sequence[Cell] | None = None) -> str:
        """Runs of each card in these cells, or in all."""
        kept = [item for item in self.result.cells if cells is None or (item.scene, item.resolution) in cells]
        return count_words([len(item.run_names) for item in kept])

    def common_values(
        self, *, candidate: str | None = None, cut: str | None = None, metric: str | None = None, **_: Any
    ) -> dict[str, object]:
        """What the texts of several charts say of the review and of a choice."""
        result, entry, cut = self.result, self.metric(metric), cut or self.result.cuts[0].key
        return {
            "review": result.title,
            "cut": result.cut(cut).label,
            "cells": self.cells_words(cut),
            "apart": self.apart_words(cut),
            "runs": self.compared_runs(candidate, entry.key) if candidate else self.runs_words(),
            "margin": result.margin * 100.0,
            "baseline": self.short(result.baseline),
            "candidate": self.short(candidate or result.baseline),
            "metric": entry.label,
            "definition": entry.definition,
            "better": entry.better,
            "unit": shown_unit(entry.unit),
            "if_subject": bool(result.subject) and self.has_rivals,
            "if_rivals": self.has_rivals,
            "if_alone": not self.has_rivals,
        }

    def definitions(self, metrics: Sequence[str]) -> str:
        """What each metric is, a sentence each."""
        return " ".join(defined(item.label, item.definition) for item in map(self.metric, metrics))

    def pair(self, kind: str, candidate: str, metric: str, cut: str | None = None) -> str:
        """ "Candidate is so much faster than baseline", so long that it fits the title of a ``kind`` of chart.

        Long labels share what room there is; a short one leaves the rest of its half to the other. Stops stand in for
        them while the rest is measured, since spaces at its ends do not count.
        """
        theme, link = self.theme, self._link(self.overall(candidate, metric, cut))
        line = (1.7 if theme.is_narrow else 1.0) * (theme.size.width_pt - 3.2 * theme.em_pt)
        rest = CATALOG[kind].title.format(pair="", metric=self.metric(metric).label)
        room = line - text_width_pt(f".{link}.{rest}{self.title_end}", theme.title_pt, bold=True)
        labels = [drawable(self.result.label(card)) for card in (candidate, self.result.baseline)]
        widths = [min(text_width_pt(label, theme.title_pt, bold=True), room / 2.0) for label in labels]
        shares = [max(room - other, room / 2.0) for other in reversed(widths)]
        first, second = (shorten(*pair, theme.title_pt, bold=True) for pair in zip(labels, shares, strict=True))
        return f"{first}{link}{second}"

    def _link(self, overall: OverallComparison | None) -> str:
        """What stands between two cards: how much faster or slower the first is, where that is shown."""
        if overall is None or overall.ratio is None or self.metric(overall.metric).unit != FRAMES_PER_SECOND:
            return " against "
        change_pct = 100.0 * abs(overall.ratio - 1.0)
        change = f" is {change_pct:.{0 if change_pct >= _WHOLE_FROM_PCT else 1}f} %"
        links = {"tied": " is as fast as ", "ahead": f"{change} faster than ", "behind": f"{change} slower than "}
        return links.get(overall.verdict, " against ")


def defined(label: str, definition: str) -> str:
    """A label and its definition as one sentence.

    Examples
    --------
    >>> defined("average rate", "Frames divided by the time they took.")
    'Average rate: frames divided by the time they took.'
    """
    return f"{begun(label)}: {continued(definition).rstrip('.')}."


@dataclass(frozen=True)
class PagedChart:
    """One kind of chart of a review.

    ``pages`` says what each figure holds that a choice needs (nothing where there is nothing to draw), ``chart`` what
    one of them shows; both take the view of the review and the choice: a card, a cut, a scene. The values of its texts
    stand before those that several charts have in common.
    """

    pages: Callable[..., Sequence[Any]]
    chart: Callable[..., Chart]

    def __call__(self, result: ReviewResult, theme: Theme, *, page: int = 0, **asked: Any) -> Figure:
        """Draw one page, from 0.

        Raises
        ------
        ValueError
            If there is no such page.
        """
        with theme.settings():
            view = ReviewView(result, theme)
            pages = self.pages(view, **asked)
            if not 0 <= page < len(pages):
                raise ValueError(f"page must be 0 to {len(pages) - 1}, got {page!r}")
            number = "" if len(pages) == 1 else f" ({page + 1} of {len(pages)})"
            chart = self.chart(replace(view, title_end=number), pages[page], **asked)
            values = {**view.common_values(**asked), **chart.values}
            return replace(chart, values=values).draw(theme, title_end=number)
