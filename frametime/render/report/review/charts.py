"""Which charts of a review stand in its report, where, and what they show in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Final

from frametime.render.charts.catalog import CATALOG
from frametime.render.report.document import Figure
from frametime.render.report.review.chart_words import chart_words
from frametime.review.result import ReviewResult

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
    from frametime.render.charts.review_charts import review_figures
    from frametime.render.theme import Theme

    found = []
    first_cuts: object = None
    drawn = [
        (name, _catalog_key(name), drawing.keywords if isinstance(drawing, partial) else {})
        for name, drawing in review_figures(result, Theme.of(), only=SECTIONS)
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
    result: ReviewResult,
    charts: Sequence[ChosenChart],
    svgs: Mapping[str, bytes],
    *,
    folder: str | None = None,
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
