"""The small pictures of a review: cards as bars on one scale, each card in its own color all over the page."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from frametime.render.charts.theme import PALETTES
from frametime.render.report.document import Bar, Bars
from frametime.render.review_words import ReviewWords
from frametime.render.tables.parts import number
from frametime.render.tables.review_cells import cells_table
from frametime.render.tables.review_standings import overall_table, standings_table
from frametime.render.tables.review_value import efficiency_table
from frametime.render.tables.table import Line, Number, Row, Table, plain_text
from frametime.review.result import ReviewResult
from frametime.review.words.sentence import cells_words
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
