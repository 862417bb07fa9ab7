"""Blocks of the report of a review: first screen, cards as bars, verdicts, charts with what they show in words."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from types import MappingProxyType
from typing import Final

from frametime.render.charts.chart_catalog import CATALOG
from frametime.render.charts.theme import PALETTES
from frametime.render.report.document import (
    Answers,
    Bar,
    Bars,
    Block,
    Fact,
    Figure,
    Paragraph,
    VerdictCard,
    VerdictCards,
)
from frametime.render.review_words import ReviewWords
from frametime.render.tables.parts import by_weight, count, number, percent, sentence_case
from frametime.render.tables.review_comparisons import (
    cells_table,
    efficiency_table,
    overall_table,
    standings_of,
    standings_table,
    value_table,
)
from frametime.render.tables.review_runs import repeatability_table
from frametime.render.tables.table import Line, Mark, Number, Range, Row, Strip, Table, line_text, plain_text
from frametime.review.result import ReviewResult
from frametime.review.result_tables import OverallComparison
from frametime.review.sentence import cells_words
from frametime.statistics.differences import Interval


def card_colors(result: ReviewResult) -> Mapping[str, str]:
    """The color of each card as the page writes it, as in the charts: that of the plan, or of its place there."""
    cards = result.plan.get("cards")
    own = {card["key"]: card.get("color") for card in cards} if isinstance(cards, list | tuple) else {}
    n_colors = len(PALETTES["light"].series)
    return {
        card.key: str(own.get(card.key) or f"var(--chart-series-{number % n_colors + 1})")
        for number, card in enumerate(result.cards)
    }


def standings_bars(result: ReviewResult, cut: str, metric: str, *, key: str) -> Bars:
    """All cards of a cut, best first, with the baseline; behind each its place, difference and verdict."""
    words, everything, overall = ReviewWords(result), standings_table(result), overall_table(result)
    chosen = everything.where(cut=cut, metric=metric)
    places = {(item.cut, item.metric, item.card): item for item in result.standings}
    bars = []
    for row in chosen.rows:
        card = str(everything.exact(row, "card"))
        against = overall.where(cut=cut, metric=metric, card=card)
        more = _against(overall, against.rows[0], "ratio") if against.rows else ("baseline",)
        bars.append(
            _bar(result, card, everything.line(row, "mean_value"), places[cut, metric, card].mean_interval, more)
        )
    cells = result.cells_of(cut)
    caption = (
        f"{words.metric_heading(metric)}, {words.cuts[cut]}: means over"
        f" {cells_words(cells.cells, n_planned=cells.n_planned)}, with 95 % intervals of the difference to"
        f" {words.baseline}; {words.better(metric)}."
    )
    return Bars(key=key, caption=caption, groups=(("", tuple(bar for bar in bars if bar is not None)),))


def scene_bars(result: ReviewResult) -> Iterator[tuple[str, Bars]]:
    """Each scene: its label, and every card in it, a group for each resolution, by the headline metric."""
    words, everything = ReviewWords(result), cells_table(result)
    estimates = {(item.card, item.scene, item.resolution): item.estimates[result.headline] for item in result.cells}
    of_headline = everything.where(metric=result.headline)
    for place, scene in enumerate(result.scenes, 1):
        groups = []
        for resolution in result.resolutions:
            bars = []
            for row in of_headline.where(scene=scene.key, resolution=resolution).rows:
                card = str(everything.exact(row, "card"))
                estimate = estimates[card, scene.key, resolution]
                more: Line = ("baseline",) if card == result.baseline else ()
                if row.origin.startswith("comparisons"):
                    change, _, verdict = _against(everything, row, "ratio")
                    more = (plain_text(change), " ", verdict)
                # The tables below have each number with its address: here it is not said again.
                bars.append(_bar(result, card, (number(estimate.value, ""),), estimate.interval, more))
            if found := tuple(bar for bar in bars if bar is not None):
                groups.append((resolution, found))
        caption = f"{words.metric_heading(result.headline)}, with 95 % intervals over the runs of each card."
        if groups:
            yield scene.label, Bars(key=f"scene-{place}", caption=caption, groups=tuple(groups))


def power_bars(result: ReviewResult, *, key: str) -> Bars:
    """Average power of the cards that have sensor logs, with the frames that a joule makes."""
    table = efficiency_table(result)
    rows = {item.card: item for item in result.efficiency if item.cut == result.cuts[0].key}
    bars = []
    for row in table.where(cut=result.cuts[0].key).rows:
        card = str(table.exact(row, "card"))
        more = ("W, ", *table.line(row, "frames_per_joule"), " frames per joule")
        line = table.line(row, "average_power_w")
        bars.append(_bar(result, card, line, rows[card].average_power_interval, more))
    caption = "Average power (W) with 95 % intervals; lower is better for the same speed."
    return Bars(key=key, caption=caption, groups=(("", tuple(bar for bar in bars if bar is not None)),))


def _bar(result: ReviewResult, card: str, line: Line, interval: Interval | None, more: Line) -> Bar | None:
    """The bar of a card; ``None`` where it has no number."""
    value = line[0]
    if not isinstance(value, Number) or value.value is None:
        return None
    ends = None if interval is None else (interval.low, interval.high)
    return Bar(label=result.card(card).label, color=card_colors(result)[card], value=value, ends=ends, more=more)


def _against(table: Table, row: Row, ratio: str) -> Line:
    """Difference to the baseline and verdict."""
    return (*table.line(row, ratio), " ", table.line(row, "verdict")[0])


def lead_blocks(result: ReviewResult) -> tuple[Block, ...]:
    """The first screen: four answers, all cards as one picture, and what the words mean."""
    cut, told = result.cuts[0].key, result.answers[result.cuts[0].key]
    questions = {"Speed": told.first, "Price": told.price, "Power": told.power, "Not sure": told.uncertain}
    answers = Answers(tuple(Fact(term, (text,)) for term, text in questions.items()))
    how_to_read: Line = (
        "A difference counts from ",
        percent(result.margin, "/margin"),
        " on, the margin of this review. Ahead and behind are differences of at least that size that the runs carry;"
        " tied means that the difference is shown to be smaller than the margin; undecided means that these runs"
        " cannot tell.",
    )
    return (answers, standings_bars(result, cut, result.headline, key="first-bars"), Paragraph(how_to_read))


def verdict_cards(result: ReviewResult) -> VerdictCards:
    """Each candidate against the baseline over all cells by the headline metric."""
    table = overall_table(result)
    return VerdictCards(
        tuple(
            _card(result, comparison, table, row)
            for comparison, row in zip(result.overall, table.rows, strict=True)
            if comparison.cut == result.cuts[0].key and comparison.metric == result.headline
        )
    )


def _card(result: ReviewResult, comparison: OverallComparison, table: Table, row: Row) -> VerdictCard:
    words = ReviewWords(result)
    verdict, picture = table.line(row, "verdict")[0], table.line(row, "picture")[0]
    like_these = (*table.line(row, "verdict_like_these"), " ", *table.line(row, "interval_scenes_like_these"))
    cells = (count(comparison.n_cells, f"/{row.origin}/n_cells"), " cells in ")
    scenes = (count(comparison.n_scenes, f"/{row.origin}/n_scenes"), " scenes")
    assert isinstance(verdict, Mark), "every comparison has a verdict"
    return VerdictCard(
        name=words.cards[comparison.candidate],
        against=f"{sentence_case(words.headline.label)} against {words.baseline}",
        mark=verdict,
        amount=table.line(row, "ratio"),
        range=("95 % interval ", *table.line(row, "interval_these_scenes"), ", these scenes repeated")
        if comparison.interval_these_scenes
        else ("no interval: too few runs",),
        strip=picture if isinstance(picture, Strip) else None,
        sentence=comparison.sentence,
        facts=(
            Fact("By cell", (*table.line(row, "counts"), " of ", *cells, *scenes)),
            Fact("Other scenes like these", like_these),
            *_value_facts(result, comparison),
        ),
        notes=by_weight(comparison.caveats),
    )


def _value_facts(result: ReviewResult, comparison: OverallComparison) -> list[Fact]:
    """Price, and what the speed costs in money and in energy, as far as it is known."""
    value, power = (
        made(result).where(card=comparison.candidate, cut=comparison.cut) for made in (value_table, efficiency_table)
    )
    currency = next((f" {card.currency}" for card in result.cards if card.currency), "")
    facts = [Fact("Price", (*value.line(row, "price"), currency)) for row in value.rows]
    for term, table, ratio, interval in (
        ("Speed for the money", value, "value_ratio", "value_ratio_interval"),
        ("Frames per joule", power, "efficiency_ratio", "efficiency_interval"),
    ):
        for row in table.rows:
            change, ends = table.line(row, ratio), table.line(row, interval)
            told = (*change, " (", *ends, ")") if isinstance(ends[0], Range) else change
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
    for place, chart in enumerate(charts, 1):
        figure = Figure(
            key=f"chart-{place}",
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
