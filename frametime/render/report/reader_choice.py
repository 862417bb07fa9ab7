"""What a page holds so that its reader can choose cells and prices: estimates that the page only combines."""

from __future__ import annotations

from frametime.render.report.document import ReaderChoice
from frametime.render.report.review_bars import card_colors
from frametime.render.review_words import ReviewWords
from frametime.render.tables.parts import VERDICT_MARKS
from frametime.review.result import ReviewResult
from frametime.review.result_tables import CellLogMean, Scatter
from frametime.review.runs.cell_summaries import has_logs


def reader_choice(result: ReviewResult) -> ReaderChoice:
    """Cards, scenes and cells by their places in the plan, and the mean logs of every cell.

    ``means`` holds for each metric, card and cell the mean log, and of its two scatters (among many, alone) standard
    error, degrees of freedom and whether the card's pooled scatter stands in; ``null`` where there is no mean.
    ``lacking`` holds for every other metric the pairs of card and cell without a value of it.
    """
    words, cells = ReviewWords(result), result.cuts[0].cells
    scenes = [scene.key for scene in result.scenes]
    cards = [card.key for card in result.cards]
    known = {(item.metric, item.card, item.scene, item.resolution): item for item in result.log_means}
    metrics = list(dict.fromkeys([result.headline, *(item.metric for item in result.log_means)]))
    estimates = {(item.card, item.scene, item.resolution): item.estimates for item in result.cells}

    def lacks(metric: str, card: str, cell: tuple[str, str]) -> bool:
        found = estimates.get((card, *cell))
        return found is None or not has_logs(found[metric].run_values)

    currency = next((card.currency for card in result.cards if card.currency), None)
    colors = card_colors(result)
    return ReaderChoice(
        {
            "margin": result.margin,
            "baseline": cards.index(result.baseline),
            "sample": result.sample_unit,
            "currency": currency or "",
            "has_value": bool(result.value),
            "speed": metrics.index(result.value[0].metric) if result.value else 0,
            "cards": [
                {"label": card.label, "price": card.price, "currency": card.currency, "color": colors[card.key]}
                for card in result.cards
            ],
            "scenes": [{"label": scene.label, "tags": list(scene.tags)} for scene in result.scenes],
            "resolutions": list(result.resolutions),
            "cells": [[scenes.index(scene), result.resolutions.index(resolution)] for scene, resolution in cells],
            "metrics": [{"heading": words.metric_heading(key), "better": result.metric(key).better} for key in metrics],
            "means": [
                [[_packed(known.get((metric, card, *cell))) for cell in cells] for card in cards] for metric in metrics
            ],
            "lacking": [
                [
                    [place, at]
                    for place, card in enumerate(cards)
                    for at, cell in enumerate(cells)
                    if lacks(entry.key, card, cell)
                ]
                for entry in result.metrics
                if entry.key != result.headline
            ],
            "marks": {word: [mark.symbol, mark.tone] for word, mark in VERDICT_MARKS.items()},
        }
    )


def _packed(item: CellLogMean | None) -> list[object] | None:
    def scatter(part: Scatter) -> list[object]:
        return [part.standard_error, part.degrees_of_freedom, int(part.is_pooled)]

    return None if item is None else [item.mean, *scatter(item.among_many), *scatter(item.alone)]
