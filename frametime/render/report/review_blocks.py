"""Blocks of the report of a review: first screen, cards as bars, verdicts, charts with what they show in words."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from types import MappingProxyType
from typing import TYPE_CHECKING, Final, TypeAlias

from frametime.render.charts.chart_catalog import CATALOG
from frametime.render.charts.theme import PALETTES, Theme
from frametime.render.report import document as doc
from frametime.render.report.document import Bar, Bars, Block, Fact, Figure, VerdictCard
from frametime.render.review_words import better_words, metric_heading
from frametime.render.tables.parts import VERDICT_MARKS, by_weight, caption_of, estimate_line, number, percent
from frametime.render.tables.review_comparisons import (
    cells_table,
    efficiency_table,
    overall_table,
    standings_of,
    standings_table,
    value_table,
)
from frametime.render.tables.review_runs import repeatability_table
from frametime.render.tables.table import Line, Number, Range, Row, Strip, Table, line_text, plain_text
from frametime.review.result import ReviewResult
from frametime.review.result_tables import OverallComparison
from frametime.review.sentence import cells_words
from frametime.statistics.interval import Interval
from frametime.words import begun, counted

if TYPE_CHECKING:
    from frametime.render.charts.drawings import ReviewChart


def card_colors(result: ReviewResult) -> Mapping[str, str]:
    """The color of each card as the page writes it, as in the charts: that of the plan, or of its place there."""
    n_colors = len(PALETTES["light"].series)
    return {
        card.key: result.own_colors.get(card.key) or f"var(--chart-series-{number % n_colors + 1})"
        for number, card in enumerate(result.cards)
    }


def standings_bars(result: ReviewResult, cut: str, metric: str, *, key: str) -> Bars:
    """All cards of a cut, best first, with the baseline; behind each its place, difference and verdict."""
    everything, overall = standings_table(result), overall_table(result)
    base, told = _baseline_words(result), []
    for item, row in zip(result.standings, everything.rows, strict=True):
        if (item.cut, item.metric) == (cut, metric):
            against = overall.where(cut=cut, metric=metric, card=item.card)
            more = _against(overall, against.rows[0]) if against.rows else base
            told.append((item.card, everything.line(row, "mean_value"), item.mean_interval, more))
    cells = result.cells_of(cut)
    caption = caption_of(
        "standings-bars" if base else "standings-of-one",
        heading=metric_heading(result, metric),
        cut=result.cut(cut).label,
        cells=cells_words(cells.cells, n_planned=cells.n_planned),
        baseline=result.label(result.baseline),
        better=better_words(result, metric),
    )
    return _bars(result, key, caption, {"": told})


def _baseline_words(result: ReviewResult) -> Line:
    """What stands behind the bar of the baseline; nothing where there is no other card."""
    return ("baseline",) if len(result.cards) > 1 else ()


def scene_bars(result: ReviewResult) -> Iterator[tuple[str, Bars]]:
    """Each scene: its label, and every card in it, a group for each resolution, by the headline metric."""
    everything = cells_table(result)
    rows = everything.where(metric=result.headline).rows
    for place, scene in enumerate(result.scenes, 1):
        groups: dict[str, list[_Told]] = {resolution: [] for resolution in result.resolutions}
        for item, row in zip(result.cells, rows, strict=True):
            if item.scene == scene.key:
                estimate = item.estimates[result.headline]
                more = _baseline_words(result) if item.card == result.baseline else ()
                if row.origin.startswith("comparisons"):
                    change, *verdict = _against(everything, row)
                    more = (plain_text(change), *verdict)
                # The tables below have each number with its address: here it is not said again.
                groups[item.resolution].append((item.card, (number(estimate.value, ""),), estimate.interval, more))
        if (bars := _bars(result, f"scene-{place}", "", groups)).groups:
            yield scene.label, bars


def power_bars(result: ReviewResult) -> Bars:
    """Average power of the cards that have sensor logs, with the frames that a joule makes."""
    table = efficiency_table(result)
    told = []
    for item, row in zip(result.efficiency, table.rows, strict=True):
        if item.cut == result.cuts[0].key and not item.stands_apart:  # which has its power on other cells
            more = ("W, ", *table.line(row, "frames_per_joule"), " frames per joule")
            told.append((item.card, table.line(row, "average_power_w"), item.average_power_interval, more))
    return _bars(result, "power-bars", caption_of("power-bars"), {"": told})


_Told: TypeAlias = tuple[str, Line, Interval | None, Line]
"""A card, its number, the interval of that, and what stands behind it."""


def _bars(result: ReviewResult, key: str, caption: str, groups: Mapping[str, Sequence[_Told]]) -> Bars:
    """A bar for each card that has a number."""
    colors = card_colors(result)
    found: dict[str, list[Bar]] = {}
    for label, told in groups.items():
        for card, (value, *_), interval, more in told:
            if isinstance(value, Number) and value.value is not None:
                ends = next(
                    (part for part in estimate_line(value.value, interval, "") if isinstance(part, Range)), None
                )
                bar = Bar(label=result.label(card), color=colors[card], value=value, ends=ends, more=more)
                found.setdefault(label, []).append(bar)
    return Bars(key=key, caption=caption, groups=tuple((label, tuple(bars)) for label, bars in found.items()))


def _against(table: Table, row: Row) -> Line:
    """Difference to the baseline and verdict, as far as there is a difference."""
    if table.exact(row, "ratio") is None:
        return ("not compared",)
    return (*table.line(row, "ratio"), " ", table.line(row, "verdict")[0])


def lead_blocks(result: ReviewResult) -> tuple[Block, ...]:
    """The first screen: four answers, all cards as one picture, and what the words mean."""
    cut, told = result.cuts[0].key, result.answers[result.cuts[0].key]
    questions = {"Speed": told.first, "Price": told.price, "Power": told.power, "Not sure": told.uncertain}
    answers = doc.Answers(tuple(Fact(term, (text,)) for term, text in questions.items()))
    counts_from = ("A difference counts from ", percent(result.margin, "/margin"), f" {doc.sentences('how-to-read')}")
    bars = standings_bars(result, cut, result.headline, key="first-bars")
    return (answers, bars, doc.Paragraph(counts_from)) if len(result.cards) > 1 else (answers, bars)


def verdict_cards(result: ReviewResult) -> doc.VerdictCards:
    """Each candidate against the baseline over all cells by the headline metric."""
    table = overall_table(result)
    return doc.VerdictCards(
        tuple(
            _card(result, comparison, table, row)
            for comparison, row in zip(result.overall, table.rows, strict=True)
            if comparison.cut == result.cuts[0].key and comparison.metric == result.headline
        )
    )


def _card(result: ReviewResult, comparison: OverallComparison, table: Table, row: Row) -> VerdictCard:
    picture = table.line(row, "picture")[0]
    return VerdictCard(
        name=result.label(comparison.candidate),
        against=f"{begun(result.metric(result.headline).label)} against {result.label(result.baseline)}",
        mark=VERDICT_MARKS[comparison.verdict],
        amount=table.line(row, "ratio"),
        range=("95 % interval ", *table.line(row, "interval_these_scenes"), ", these scenes repeated")
        if comparison.interval_these_scenes
        else ("no interval: too few runs",),
        strip=picture if isinstance(picture, Strip) else None,
        sentence=comparison.sentence,
        facts=tuple(_value_facts(result, comparison)),
        notes=by_weight(comparison.caveats),
    )


def _value_facts(result: ReviewResult, comparison: OverallComparison) -> list[Fact]:
    """Price, and what the speed costs in money and in energy, as far as it is known."""
    value, power = (
        made(result).where(card=comparison.candidate, cut=comparison.cut) for made in (value_table, efficiency_table)
    )
    currency = next((f" {row.currency}" for row in result.value if row.currency), "")
    facts = [Fact("Price", (*value.line(row, "price"), currency)) for row in value.rows]
    for term, table, ratio, interval in (
        ("Speed for the money", value, "value_ratio", "value_ratio_interval"),
        ("Frames per joule", power, "efficiency_ratio", "efficiency_interval"),
    ):
        for row in table.rows:
            change, ends = table.line(row, ratio), table.line(row, interval)
            told = (*change, " (", *ends, ")") if isinstance(ends[0], Range) else change
            if table.has("n_cells") and table.exact(row, "stands_apart"):
                told = (*told, ", over ", *table.line(row, "n_cells"), " of ", f"{comparison.n_cells} cells")
            facts += [] if table.exact(row, ratio) is None else [Fact(term, told)]
    return facts


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


def chosen_charts(result: ReviewResult, *, size: str = "web") -> list[ReviewChart]:
    """The charts by the headline metric over all cells, the most important first, at most `MOST_FIGURES`.

    Of charts on several pages only the first is taken: the tables hold every cell.
    """
    from frametime.render.charts.drawings import review_charts

    first = {"metric": result.headline, "cut": result.cuts[0].key, "page": 0}
    found = [
        chart
        for chart in review_charts(result, Theme.of(size=size))
        if chart.key in SECTIONS and all(chart.asked.get(what, wanted) == wanted for what, wanted in first.items())
    ]
    return sorted(found, key=lambda chart: list(SECTIONS).index(chart.key))[:MOST_FIGURES]


def narrow_charts(result: ReviewResult, charts: Sequence[ReviewChart]) -> dict[str, str]:
    """Name of each chart to that of its narrow form, which may show fewer cuts and cells at once."""

    def subject(chart: ReviewChart) -> tuple[str, object]:
        return chart.key, chart.asked.get("candidate")

    shown = {subject(chart): chart.name for chart in reversed(chosen_charts(result, size=NARROW))}
    return {chart.name: shown[subject(chart)] for chart in charts if subject(chart) in shown}


def chart_figures(
    result: ReviewResult,
    charts: Sequence[ReviewChart],
    svgs: Mapping[str, bytes],
    *,
    narrow: Mapping[str, bytes] = MappingProxyType({}),
    folder: str | None = None,
) -> dict[str, list[Figure]]:
    """Drawn charts by the section that they belong to.

    Parameters
    ----------
    result : ReviewResult
    charts : sequence of ReviewChart
    svgs : mapping of str to bytes
        Each chart by its name, as SVG in the light palette.
    narrow : mapping of str to bytes
        The same for a phone, of those that have such a form.
    folder : str, optional
        Where the same charts lie as PNG files, below the folder of the report.
    """
    figures: dict[str, list[Figure]] = {}
    for place, chart in enumerate(charts, 1):
        figure = Figure(
            key=f"chart-{place}",
            caption=CATALOG[chart.key].caption,
            alternative=chart_words(result, chart.key, chart.asked),
            svg=svgs[chart.name],
            file=f"{folder}/{chart.name}.png" if folder else None,
            narrow=narrow.get(chart.name),
            is_of_a_row=SECTIONS[chart.key] in figures,
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
    cut, headline = str(asked.get("cut") or result.cuts[0].key), result.headline
    if key in _COSTS:
        title, make, shown = _COSTS[key]
        placed = make(result).where(cut=cut, stands_apart=False)
        return f"{title}, {result.cut(cut).label}: {_rows(placed.view(*shown))}"
    if key == "standings":
        tables = (table.without_comparison() for table in standings_of(result, standings_table(result), cut, key=key))
        return " ".join(f"{table.caption} {_rows(table)}" for table in tables)
    if key == "repeatability":
        flagged = [run.name for run in result.runs if run.flag]
        told = f" {counted(len(flagged), 'flagged run')}" + (f": {', '.join(flagged)}." if flagged else ".")
        return _rows(repeatability_table(result).where(metric=headline).view("card", "s_r_pct")) + told
    card = str(asked.get("candidate"))
    overall = overall_table(result).where(cut=cut, card=card, metric=headline)
    columns, title = _OF_PAIR[key]
    cells = cells_table(result).where(card=card, metric=headline)
    cells = cells.view("scene", "resolution", ("ratio", "interval_95"), "verdict", labels=_BARE)
    cards = {"card": result.label(card), "baseline": result.label(result.baseline)}
    pair = title.format(**cards, headline=result.metric(headline).label)
    return f"{pair} {_rows(overall.view(*columns, labels=_BARE))} Cells: {_rows(cells)}"


_BARE: Final = {"ratio": "", "verdict": "", "resolution": "at", "counts": ""}
_OF_PAIR: Final[Mapping[str, tuple[tuple[str | tuple[str, ...], ...], str]]] = {
    "ratios": (
        ("cut", ("ratio", "interval_these_scenes"), "verdict"),
        "{card} against {baseline}, {headline}, with 95 % intervals.",
    ),
    "matrix": (("cut", "counts"), "{card} against {baseline} by {headline}."),
}
"""Charts of a card and the baseline: columns over the cells, and how their words begin."""
_COSTS: Final[Mapping[str, tuple[str, Callable[[ReviewResult], Table], tuple[str, ...]]]] = {
    "value": ("Speed and price", value_table, ("card", "mean_value", "price", "break_even_price")),
    "efficiency": ("Power and energy", efficiency_table, ("card", "average_power_w", "energy_per_frame_j")),
}
"""Charts of what speed costs: how their words begin, and columns of a table for the cards that have a place."""


def _rows(table: Table) -> str:
    """The first rows of a table in words: its heading cell, then what stands under the other headings."""
    told = []
    for row in table.rows[:MOST_CELLS]:
        first, *rest = (line_text(cell.content) for cell in row.cells)
        pairs = zip((column.heading for column in table.columns[1:]), rest, strict=True)
        told.append(f"{first}: " + ", ".join(f"{name} {text}".strip() for name, text in pairs))
    n_more = len(table.rows) - MOST_CELLS
    return "; ".join(told) + (f"; {n_more} more stand in the tables" if n_more > 0 else "") + "."
