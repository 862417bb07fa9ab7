"""An order of the cards that goes no further than the intervals carry it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations

from frametime.review.cell_comparisons import MetricMeans
from frametime.review.design import CutEntry, ReviewDesign
from frametime.review.overall import pair_caveats, pair_cells
from frametime.review.result_tables import PairOrder, Standing
from frametime.statistics.differences import Interval, geometric_mean, holm_adjusted


def order_pairs(table: MetricMeans, design: ReviewDesign, cut: CutEntry) -> list[PairOrder]:
    """Compare every two cards over a cut, with Holm's adjustment over the pairs; each pair once, in plan order."""
    pairs: list[PairOrder] = []
    p_values: list[float | None] = []
    for card, other in combinations([entry.key for entry in design.cards], 2):
        paired = pair_cells(table, card, other, cut.cells, sample_unit=design.sample_unit)
        these = paired.these
        p_values.append(None if these is None else these.p_value)
        pairs.append(
            PairOrder(
                cut=cut.key,
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
    known = [at for at, p in enumerate(p_values) if p is not None]
    for at, p in zip(known, holm_adjusted([p for p in p_values if p is not None]).tolist(), strict=True):
        if pairs[at].verdict in {"ahead", "behind"}:
            pairs[at] = replace(pairs[at], stands_after_holm=p < 0.05)
    return pairs


def place_cards(table: MetricMeans, design: ReviewDesign, cut: CutEntry, pairs: Sequence[PairOrder]) -> list[Standing]:
    """Places in one cut, best first.

    A card is shown better than another when the pair's verdict is *ahead* and stands after Holm over the pairs.
    Its best place is one more than the number of cards shown better; its worst place is the number of cards less
    those shown worse. A card without any cell has no place among the others: it may stand anywhere.
    """
    cards = [entry.key for entry in design.cards]
    better = _shown_better(pairs)
    common = [cell for cell in cut.cells if all((card, *cell) in table.means for card in cards)]
    standings = []
    for card in cards:
        above = [other for other in cards if (other, card) in better]
        below = [other for other in cards if (card, other) in better]
        best, worst = len(above) + 1, len(cards) - len(below)
        ratio, interval = _to_baseline(card, design.baseline, pairs)
        paired = pair_cells(table, card, design.baseline, cut.cells, sample_unit=design.sample_unit)
        standings.append(
            Standing(
                cut=cut.key,
                metric=table.metric.key,
                card=card,
                best_place=best,
                worst_place=worst,
                place=str(best) if best == worst else f"{best} to {worst}",
                not_told_apart_from=tuple(o for o in cards if o != card and o not in above and o not in below),
                ratio_to_baseline=ratio if paired.cells else None,
                interval=interval,
                mean_value=_mean_value(table, card, common),
                n_cells=len(common),
                caveats=() if card == design.baseline else pair_caveats(paired, table.metric.key, design),
            )
        )
    # Within equal places the better estimate is listed first; the place says that this is no order.
    return sorted(standings, key=lambda item: (item.best_place + item.worst_place, _listed(table, item)))


def _listed(table: MetricMeans, standing: Standing) -> float:
    if standing.ratio_to_baseline is None:
        return math.inf
    return -table.sign * math.log(standing.ratio_to_baseline)


def _shown_better(pairs: Sequence[PairOrder]) -> set[tuple[str, str]]:
    shown = set()
    for pair in pairs:
        if pair.stands_after_holm:
            shown.add((pair.card, pair.other) if pair.verdict == "ahead" else (pair.other, pair.card))
    return shown


def _to_baseline(card: str, baseline: str, pairs: Sequence[PairOrder]) -> tuple[float | None, Interval | None]:
    if card == baseline:
        return 1.0, None
    for pair in pairs:
        if (pair.card, pair.other) == (card, baseline):
            return pair.ratio, pair.interval
        if (pair.other, pair.card) == (card, baseline):
            return pair.ratio and 1.0 / pair.ratio, pair.interval and pair.interval.of_reciprocal()
    return None, None


def _mean_value(table: MetricMeans, card: str, cells: Sequence[tuple[str, str]]) -> float | None:
    return geometric_mean([table.means[(card, *cell)].mean for cell in cells]) if cells else None
