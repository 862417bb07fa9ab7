"""Which charts of a review stand in its report, where, and what they show in words, for who cannot see them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from types import MappingProxyType
from typing import Final

from frametime.render.charts.chart_catalog import CATALOG
from frametime.render.report.document import Figure
from frametime.render.review_words import ReviewWords
from frametime.render.tables.review_cells import cells_table
from frametime.render.tables.review_runs import repeatability_table
from frametime.render.tables.review_standings import overall_table, standings_of, standings_table
from frametime.render.tables.review_value import efficiency_table, value_table
from frametime.render.tables.table import Table, line_text
from frametime.review.result import ReviewResult

MOST_FIGURES: Final = 16
"""More would make the page slow and large; all charts are files of their own beside it."""

NARROW: Final = "print-85mm"
"""The size in which a phone shows a chart."""

SECTIONS: Final[Mapping[str, str]] = {
    "ratios": "cuts-tables",
    "standings": "standings",
    "matrix": "cells-tables",
    "value": "value",
    "efficiency": "power",
    "repeatability": "runs",
}
"""Key of a chart to the section of the report in which it stands; the first is the most important."""


@dataclass(frozen=True, kw_only=True)
class ChosenChart:
    """A chart for the report: its name, its key in the catalog, and what it is drawn for (card, cut, page)."""

    name: str
    key: str
    asked: Mapping[str, object]

    @property
    def subject(self) -> tuple[str, object]:
        """What it shows of whom, whatever its size."""
        return self.key, self.asked.get("candidate")


def chosen_charts(result: ReviewResult, *, size: str = "web") -> tuple[ChosenChart, ...]:
    """The charts by the headline metric over all cells, the most important first, at most `MOST_FIGURES`.

    Of charts on several pages only the first is taken: the tables hold every cell.
    """
    from frametime.render.charts.drawings import review_figures
    from frametime.render.charts.theme import Theme

    found = []
    drawn = [
        (name, _catalog_key(name), drawing.keywords if isinstance(drawing, partial) else {})
        for name, drawing in review_figures(result, Theme.of(size=size))
        if _catalog_key(name) in SECTIONS
    ]
    for name, key, asked in drawn:
        by_headline = asked.get("metric", result.headline) == result.headline
        over_all_cells = asked.get("cut", result.cuts[0].key) == result.cuts[0].key
        if by_headline and over_all_cells and asked.get("page", 0) == 0:
            found.append(ChosenChart(name=name, key=key, asked=asked))
    return tuple(sorted(found, key=lambda chart: list(SECTIONS).index(chart.key))[:MOST_FIGURES])


def narrow_charts(result: ReviewResult, charts: Sequence[ChosenChart]) -> dict[str, str]:
    """Name of each chart to that of its narrow form, which may show fewer cuts and cells at once."""
    shown = {chart.subject: chart.name for chart in reversed(chosen_charts(result, size=NARROW))}
    return {chart.name: shown[chart.subject] for chart in charts if chart.subject in shown}


def _catalog_key(name: str) -> str:
    return max((key for key in CATALOG if name == key or name.startswith(f"{key}-")), key=len)


def chart_figures(
    result: ReviewResult,
    charts: Sequence[ChosenChart],
    svgs: Mapping[str, bytes],
    *,
    narrow: Mapping[str, bytes] = MappingProxyType({}),
    folder: str | None = None,
) -> dict[str, list[Figure]]:
    """Drawn charts by the section that they belong to.

    Parameters
    ----------
    result : ReviewResult
    charts : sequence of ChosenChart
    svgs : mapping of str to bytes
        Each chart by its name, as SVG in the light palette.
    narrow : mapping of str to bytes
        The same for a phone, of those that have such a form.
    folder : str, optional
        Where the same charts lie as PNG files, below the folder of the report.
    """
    figures: dict[str, list[Figure]] = {}
    for number, chart in enumerate(charts, 1):
        figure = Figure(
            key=f"chart-{number}",
            caption=CATALOG[chart.key].caption,
            alternative=chart_words(result, chart.key, chart.asked),
            svg=svgs[chart.name],
            file=f"{folder}/{chart.name}.png" if folder else None,
            narrow=narrow.get(chart.name),
        )
        figures.setdefault(SECTIONS[chart.key], []).append(figure)
    return figures


MOST_CELLS: Final = 12
"""Cells named one by one; a longer list is a table, and the tables are on the page."""


def chart_words(result: ReviewResult, key: str, asked: Mapping[str, object]) -> str:
    """The main numbers of a chart in one line.

    Parameters
    ----------
    result : ReviewResult
    key : str
        Of the catalog of charts.
    asked : mapping
        ``candidate``, ``cut``, ``cuts``: what the chart was drawn for.
    """
    return _WRITERS[key](result, ReviewWords(result), asked)


def _rows(table: Table, *, most: int = MOST_CELLS) -> str:
    """The first rows of a table in words: its heading cell, then what stands under the other headings."""
    told = []
    for row in table.rows[:most]:
        first, *rest = (line_text(cell.content) for cell in row.cells)
        headings = (column.heading for column in table.columns[1:])
        pairs = zip(headings, rest, strict=True)
        told.append(f"{first}: " + ", ".join(f"{name} {text}".strip() for name, text in pairs))
    n_more = len(table.rows) - most
    return "; ".join(told) + (f"; {n_more} more stand in the tables" if n_more > 0 else "") + "."


def _cut(result: ReviewResult, asked: Mapping[str, object]) -> str:
    return str(asked.get("cut") or result.cuts[0].key)


def _ratios(result: ReviewResult, words: ReviewWords, asked: Mapping[str, object]) -> str:
    candidate = str(asked.get("candidate"))
    chosen = overall_table(result).where(cut=_cut(result, asked), card=candidate, metric=result.headline)
    told = chosen.view("cut", ("ratio", "interval_these_scenes"), "verdict", labels=_BARE)
    title = f"{words.cards[candidate]} against {words.baseline}, {words.headline.label}, with 95 % intervals. "
    return title + _rows(told) + " " + _cells(result, candidate)


_BARE: Final = {"ratio": "", "verdict": "", "resolution": "at", "counts": ""}


def _cells(result: ReviewResult, candidate: str) -> str:
    chosen = cells_table(result).where(card=candidate, metric=result.headline)
    return "Cells: " + _rows(chosen.view("scene", "resolution", ("ratio", "interval_95"), "verdict", labels=_BARE))


def _matrix(result: ReviewResult, words: ReviewWords, asked: Mapping[str, object]) -> str:
    candidate = str(asked.get("candidate"))
    table = overall_table(result).where(card=candidate, metric=result.headline, cut=result.cuts[0].key)
    title = f"{words.cards[candidate]} against {words.baseline} by {words.headline.label}. "
    return title + _rows(table.view("cut", "counts", labels=_BARE)) + " " + _cells(result, candidate)


def _standings(result: ReviewResult, _: ReviewWords, asked: Mapping[str, object]) -> str:
    tables = standings_of(result, standings_table(result), _cut(result, asked), key="standings")
    return " ".join(f"{table.caption} {_rows(table)}" for table in tables)


def _placed(
    title: str, make: Callable[[ReviewResult], Table], *columns: str
) -> Callable[[ReviewResult, ReviewWords, Mapping[str, object]], str]:
    """Some columns of a table, of the cards that have a place in a cut."""

    def told(result: ReviewResult, words: ReviewWords, asked: Mapping[str, object]) -> str:
        cut = _cut(result, asked)
        return f"{title}, {words.cuts[cut]}: {_rows(make(result).where(cut=cut, stands_apart=False).view(*columns))}"

    return told


def _repeatability(result: ReviewResult, _: ReviewWords, __: Mapping[str, object]) -> str:
    flagged = [run.name for run in result.runs if run.flag]
    told = f" {len(flagged)} flagged runs" + (f": {', '.join(flagged)}." if flagged else ".")
    return _rows(repeatability_table(result).where(metric=result.headline).view("card", "s_r_pct")) + told


_WRITERS: Final[Mapping[str, Callable[[ReviewResult, ReviewWords, Mapping[str, object]], str]]] = {
    "ratios": _ratios,
    "matrix": _matrix,
    "standings": _standings,
    "value": _placed("Speed and price", value_table, "card", "mean_value", "price", "break_even_price"),
    "efficiency": _placed("Power and energy", efficiency_table, "card", "average_power_w", "energy_per_frame_j"),
    "repeatability": _repeatability,
}
