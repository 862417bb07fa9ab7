"""An order of the cards that goes no further than the intervals carry it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations

from frametime.review.cell_comparisons import MetricMeans, holm_of_known, stands_after
from frametime.review.design import ReviewDesign
from frametime.review.overall import Cell, pair_caveats, pair_cells
from frametime.review.result_tables import PairOrder, Standing, TableCells
from frametime.statistics.differences import geometric_mean


def order_pairs(table: MetricMeans, design: ReviewDesign, cells: TableCells) -> list[PairOrder]:
    """Compare every two cards of a table, with Holm's adjustment over the pairs; each pair once, in plan order."""
    pairs: list[PairOrder] = []
    p_values: list[float | None] = []
    for card, other in combinations(cells.cards, 2):
        paired = pair_cells(table, card, other, cells.cells, sample_unit=design.sample_unit)
        these = paired.these
        p_values.append(None if these is None else these.p_value)
        pairs.append(
            PairOrder(
                cut=cells.cut,
                metric=table.metric.key,
                card=card,
                other=other,
                ratio=None if these is None else these.ratio,
                interval=paired.interval,
                verdict=table.decided(these, design.margin).verdict,
                stands_after_holm=None,
                n_cells=len(paired.cells),
            )
        )
    adjusted = holm_of_known(p_values)
    return [
        replace(pair, stands_after_holm=stands_after(pair.verdict, p)) for pair, p in zip(pairs, adjusted, strict=True)
    ]


def place_cards(
    table: MetricMeans, design: ReviewDesign, cells: TableCells, pairs: Sequence[PairOrder]
) -> list[Standing]:
    """Places in one cut, best estimate first; cards that stand apart follow, without a place.

    A card is shown better than another when the pair's verdict is *ahead* and stands after Holm over the pairs.
    Its best place is one more than the number of cards shown better; its worst place is the number of cards of the
    table less those shown worse.
    """
    better = {
        (pair.card, pair.other) if pair.verdict == "ahead" else (pair.other, pair.card)
        for pair in pairs
        if pair.stands_after_holm
    }
    tied = {frozenset((pair.card, pair.other)) for pair in pairs if pair.verdict == "tied"}
    standings = []
    for card in cells.cards:
        above = [other for other in cells.cards if (other, card) in better]
        below = [other for other in cells.cards if (card, other) in better]
        best, worst = len(above) + 1, len(cells.cards) - len(below)
        others = tuple(other for other in cells.cards if other != card and other not in above and other not in below)
        standings.append(
            replace(
                _standing(table, design, cells, card),
                best_place=best,
                worst_place=worst,
                place=str(best) if best == worst else f"{best} to {worst}",
                not_told_apart_from=others,
                tied_with=others if all({*two} in tied for two in combinations((card, *others), 2)) else (),
            )
        )
    # What is in equal places is listed by the estimates, too; the place says that this is no order.
    standings.sort(key=lambda item: math.inf if item.mean_value is None else -table.sign * math.log(item.mean_value))
    return [*standings, *(_standing(table, design, cells, card) for card in cells.apart)]


def _standing(table: MetricMeans, design: ReviewDesign, cells: TableCells, card: str) -> Standing:
    """The numbers of a card on its cells, as yet without a place."""
    own, baseline = cells.of(card), design.baseline
    paired = pair_cells(table, card, baseline, own, sample_unit=design.sample_unit)
    mean, baseline_mean = (_mean_value(table, key, own) for key in (card, baseline))
    return Standing(
        cut=cells.cut,
        metric=table.metric.key,
        card=card,
        best_place=None,
        worst_place=None,
        place="apart",
        not_told_apart_from=(),
        tied_with=(),
        ratio_to_baseline=mean and baseline_mean and mean / baseline_mean,
        interval=None if card == baseline else paired.interval,
        mean_value=mean,
        baseline_mean_value=baseline_mean,
        n_cells=len(own),
        stands_apart=card in cells.apart,
        caveats=() if card == baseline else pair_caveats(paired, cells, card, table.metric.key, design),
    )


def _mean_value(table: MetricMeans, card: str, cells: Sequence[Cell]) -> float | None:
    """``None`` without a cell, and where one of them has no value of the metric."""
    logs = [table.means[card, *cell].mean for cell in cells if (card, *cell) in table.means]
    return geometric_mean(logs) if logs and len(logs) == len(cells) else None
