"""Which charts of a review stand in its report, where, and what they show in words, for who cannot see them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Final

from frametime.render.charts.chart_catalog import CATALOG
from frametime.render.numbers import format_estimate, format_quantity
from frametime.render.report.document import Figure
from frametime.render.report.review_verdict import ReviewWords
from frametime.render.review_words import change_words, counts_words, money_words
from frametime.review.result import ReviewResult
from frametime.words import counted

MOST_FIGURES: Final = 16
"""More would make the page slow and large; all charts are files of their own beside it, and the page names them."""

SECTIONS: Final[Mapping[str, str]] = {
    "ratios": "cuts",
    "standings": "standings",
    "matrix": "cells",
    "value": "value",
    "efficiency": "value",
    "repeatability": "runs",
}
"""Key of a chart to the section of the report in which it stands; the first is the most important."""


@dataclass(frozen=True, kw_only=True)
class ChosenChart:
    """A chart for the report: its name, its key in the catalog, and what it is drawn for (card, cut, page)."""

    name: str
    key: str
    asked: Mapping[str, object]
    more: tuple[str, ...]


def chosen_charts(result: ReviewResult) -> tuple[ChosenChart, ...]:
    """The charts by the headline metric over all cells, the most important first, at most `MOST_FIGURES`.

    Of charts with several cuts only the first is taken: the table of cuts shows every one. Of charts on several
    pages, too, only the first: the tables hold every cell. The names of the others go with the one that is taken.
    """
    from frametime.render.charts.drawings import review_figures
    from frametime.render.theme import Theme

    found = []
    first_cuts: object = None
    drawn = [
        (name, _catalog_key(name), drawing.keywords if isinstance(drawing, partial) else {})
        for name, drawing in review_figures(result, Theme.of())
        if _catalog_key(name) in SECTIONS
    ]
    for name, key, asked in drawn:
        first_cuts = first_cuts or asked.get("cuts")
        by_headline = asked.get("metric", result.headline) == result.headline
        over_all_cells = asked.get("cut", result.cuts[0].key) == result.cuts[0].key
        is_first = asked.get("cuts", first_cuts) == first_cuts and asked.get("page", 0) == 0
        if by_headline and over_all_cells and is_first:
            others = tuple(
                other
                for other, other_key, other_asked in drawn
                if other != name and (other_key, other_asked.get("candidate")) == (key, asked.get("candidate"))
            )
            found.append(ChosenChart(name=name, key=key, asked=asked, more=others))
    return tuple(sorted(found, key=lambda chart: list(SECTIONS).index(chart.key))[:MOST_FIGURES])


def _catalog_key(name: str) -> str:
    return max((key for key in CATALOG if name == key or name.startswith(f"{key}-")), key=len)


def chart_figures(
    result: ReviewResult, charts: Sequence[ChosenChart], svgs: Mapping[str, bytes], *, folder: str | None = None
) -> dict[str, list[Figure]]:
    """Drawn charts by the section that they belong to.

    Parameters
    ----------
    result : ReviewResult
    charts : sequence of ChosenChart
    svgs : mapping of str to bytes
        Each chart by its name, as SVG in the light palette.
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
            more=tuple(f"{folder}/{name}.png" for name in chart.more) if folder else (),
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


def _ratios(result: ReviewResult, words: ReviewWords, asked: Mapping[str, object]) -> str:
    candidate = str(asked.get("candidate"))
    cuts = asked.get("cuts")
    shown = tuple(cuts) if isinstance(cuts, tuple) else (result.cuts[0].key,)
    parts = [
        f"{words.cuts[item.cut]}: {change_words(item.ratio, item.interval_these_scenes)}, {item.verdict}"
        for item in result.overall
        if item.candidate == candidate and item.metric == result.headline and item.cut in shown
    ]
    title = f"{words.cards[candidate]} against {words.baseline}, {words.headline.label}, with 95 % intervals. "
    return title + "; ".join(parts) + ". " + _cells(result, words, candidate)


def _cells(result: ReviewResult, words: ReviewWords, candidate: str) -> str:
    items = [item for item in result.comparisons if item.candidate == candidate and item.metric == result.headline]
    parts = [
        f"{words.scenes[item.scene]} at {item.resolution}: {change_words(item.ratio, item.interval_95)}, {item.verdict}"
        for item in items[:MOST_CELLS]
    ]
    more = f"; {len(items) - MOST_CELLS} more cells stand in the table Cell by cell" if len(items) > MOST_CELLS else ""
    return "Cells: " + "; ".join(parts) + more + "."


def _matrix(result: ReviewResult, words: ReviewWords, asked: Mapping[str, object]) -> str:
    candidate = str(asked.get("candidate"))
    counts = next(
        item.counts
        for item in result.overall
        if item.candidate == candidate and item.metric == result.headline and item.cut == result.cuts[0].key
    )
    return (
        f"{words.cards[candidate]} against {words.baseline} by {words.headline.label}: {counts_words(counts)} of"
        f" {counted(counts.total, 'cell')}. " + _cells(result, words, candidate)
    )


def _cut(result: ReviewResult, asked: Mapping[str, object]) -> str:
    return str(asked.get("cut") or result.cuts[0].key)


def _standings(result: ReviewResult, words: ReviewWords, asked: Mapping[str, object]) -> str:
    cut = _cut(result, asked)
    parts = [
        f"place {item.place}: {words.cards[item.card]}, {format_quantity(item.mean_value, words.headline.unit)}"
        for item in result.standings
        if item.cut == cut and item.metric == result.headline
    ]
    return f"Standings by {words.headline.label}, {words.cuts[cut]}: " + "; ".join(parts) + "."


def _value(result: ReviewResult, words: ReviewWords, asked: Mapping[str, object]) -> str:
    cut = _cut(result, asked)
    parts = []
    for row in result.value:
        if row.cut != cut or row.price is None:
            continue
        text = (
            f"{words.cards[row.card]}: {format_quantity(row.mean_value, words.headline.unit)}"
            f" at {money_words(row.price, row.currency)}"
        )
        if row.break_even_price is not None:
            text += f", breaks even at {money_words(row.break_even_price, row.currency, row.break_even_interval)}"
        parts.append(text)
    return f"Speed and price, {words.cuts[cut]}: " + "; ".join(parts) + "."


def _efficiency(result: ReviewResult, words: ReviewWords, asked: Mapping[str, object]) -> str:
    cut = _cut(result, asked)
    parts = [
        f"{words.cards[row.card]}: {format_quantity(row.average_power_w, 'W')},"
        f" {format_quantity(row.energy_per_frame_j, 'J/{frame}')}"
        for row in result.efficiency
        if row.cut == cut
    ]
    return f"Power and energy, {words.cuts[cut]}: " + "; ".join(parts) + "."


def _repeatability(result: ReviewResult, words: ReviewWords, asked: Mapping[str, object]) -> str:
    parts = [
        f"{words.cards[item.card]}: standard deviation between runs {format_estimate(item.s_r_pct, '%')}"
        for item in result.repeatability
        if item.metric == result.headline
    ]
    flagged = [run.name for run in result.runs if run.flag]
    return "; ".join(parts) + f". {len(flagged)} flagged runs" + (f": {', '.join(flagged)}." if flagged else ".")


_WRITERS: Final[Mapping[str, Callable[[ReviewResult, ReviewWords, Mapping[str, object]], str]]] = {
    "ratios": _ratios,
    "matrix": _matrix,
    "standings": _standings,
    "value": _value,
    "efficiency": _efficiency,
    "repeatability": _repeatability,
}
