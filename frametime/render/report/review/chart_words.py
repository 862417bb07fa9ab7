"""What a chart shows, in words and numbers: for who cannot see it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from frametime.render.numbers import format_estimate, format_quantity
from frametime.render.report.review.words import Words
from frametime.render.review_words import change_words, money_words
from frametime.review.result import ReviewResult

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
    return _WRITERS[key](result, Words(result), asked)


def _ratios(result: ReviewResult, words: Words, asked: Mapping[str, object]) -> str:
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


def _cells(result: ReviewResult, words: Words, candidate: str) -> str:
    items = [item for item in result.comparisons if item.candidate == candidate and item.metric == result.headline]
    parts = [
        f"{words.scenes[item.scene]} at {item.resolution}: {change_words(item.ratio, item.interval_95)}, {item.verdict}"
        for item in items[:MOST_CELLS]
    ]
    more = f"; {len(items) - MOST_CELLS} more cells stand in the table Cell by cell" if len(items) > MOST_CELLS else ""
    return "Cells: " + "; ".join(parts) + more + "."


def _matrix(result: ReviewResult, words: Words, asked: Mapping[str, object]) -> str:
    candidate = str(asked.get("candidate"))
    counts = next(
        item.counts
        for item in result.overall
        if item.candidate == candidate and item.metric == result.headline and item.cut == result.cuts[0].key
    )
    return f"{words.cards[candidate]} against {words.baseline} by {words.headline.label}: {counts.in_words}. " + _cells(
        result, words, candidate
    )


def _cut(result: ReviewResult, asked: Mapping[str, object]) -> str:
    return str(asked.get("cut") or result.cuts[0].key)


def _standings(result: ReviewResult, words: Words, asked: Mapping[str, object]) -> str:
    cut = _cut(result, asked)
    parts = [
        f"place {item.place}: {words.cards[item.card]}, {format_quantity(item.mean_value, words.headline.unit)}"
        for item in result.standings
        if item.cut == cut and item.metric == result.headline
    ]
    return f"Standings by {words.headline.label}, {words.cuts[cut]}: " + "; ".join(parts) + "."


def _value(result: ReviewResult, words: Words, asked: Mapping[str, object]) -> str:
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


def _efficiency(result: ReviewResult, words: Words, asked: Mapping[str, object]) -> str:
    cut = _cut(result, asked)
    parts = [
        f"{words.cards[row.card]}: {format_quantity(row.average_power_w, 'W')},"
        f" {format_quantity(row.energy_per_frame_j, 'J/{frame}')}"
        for row in result.efficiency
        if row.cut == cut
    ]
    return f"Power and energy, {words.cuts[cut]}: " + "; ".join(parts) + "."


def _repeatability(result: ReviewResult, words: Words, asked: Mapping[str, object]) -> str:
    parts = [
        f"{words.cards[item.card]}: standard deviation between runs {format_estimate(item.s_r_pct, '%')}"
        for item in result.repeatability
        if item.metric == result.headline
    ]
    flagged = [run.name for run in result.runs if run.flag]
    return "; ".join(parts) + f". {len(flagged)} flagged runs" + (f": {', '.join(flagged)}." if flagged else ".")


_WRITERS: Final[Mapping[str, Callable[[ReviewResult, Words, Mapping[str, object]], str]]] = {
    "ratios": _ratios,
    "matrix": _matrix,
    "standings": _standings,
    "value": _value,
    "efficiency": _efficiency,
    "repeatability": _repeatability,
}
