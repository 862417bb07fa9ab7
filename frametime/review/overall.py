"""Cards over many cells: two by the geometric mean of paired ratios, and all in an order that the intervals carry.

All numbers that stand side by side in the tables of a cut rest on one set of cells. A reader divides two numbers of a
table and expects the ratio that is printed beside them. That holds only where all cards of the table are averaged over
the same cells; a card with few of them would leave few to all the others, so that it stands apart, compared with the
baseline alone.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Collection, Hashable, Mapping, Sequence
from dataclasses import replace
from itertools import combinations

from frametime.caveats import Caveat, Weight, caveat_title
from frametime.review.cell_comparisons import MetricMeans, holm_of_known, stands_after
from frametime.review.design import CutEntry, Place, ReviewDesign
from frametime.review.result_tables import (
    CellComparison,
    MissingCell,
    OverallComparison,
    PairOrder,
    Standing,
    TableCells,
    Verdict,
    VerdictCounts,
)
from frametime.review.sentence import caveat_of, left_out_words, method, overall_sentence
from frametime.statistics.differences import combined, geometric_mean, over_sample, with_shared
from frametime.statistics.interval import Interval
from frametime.words import counted, first_of

POWER = "average_power_w"

Cell = tuple[str, str]


class Pair:
    """Two cards by one metric over the cells of a table; over none where either lacks it in one of them.

    ``these`` carries run noise only; ``like_these`` the scatter between scenes, ``None`` with fewer than two, or where
    nothing is said of other scenes.
    """

    def __init__(
        self, table: MetricMeans, tabled: TableCells, card: str, other: str, *, of_others: bool = True
    ) -> None:
        self.design, self.metric = table.design, table.metric.key
        self.tabled, self.card = tabled, card
        own = tabled.of(card)
        self.cells = own if all((name, *cell) in table.means for name in (card, other) for cell in own) else ()
        n_cells = len(self.cells)
        means = [[table.with_stand_in((name, *cell), n_cells=n_cells) for name in (card, other)] for cell in self.cells]
        terms = [(sign / n_cells, mean) for both in means for sign, mean in zip((1.0, -1.0), both, strict=True)]
        log_ratios = [one.mean - two.mean for one, two in means]
        groups: list[Hashable] = [cell if self.design.sample_unit == "cell" else cell[0] for cell in self.cells]
        self.n_scenes, self.n_groups = len({scene for scene, _ in self.cells}), len(set(groups))
        # Pooled by the rule of the review, every cell's scatter is that of the card, and none stands in.
        self.n_stand_ins = sum(term.pool is not None for _, term in terms if self.design.spread != "pooled")
        self.these = combined(terms) if terms else None
        like = with_shared(over_sample(log_ratios, groups), terms) if of_others else None
        # Other scenes bring the noise of the runs, too: a scatter that comes out smaller is chance. The interval is
        # never the narrower, as in G. Knapp and J. Hartung, Statistics in Medicine 22, 2693-2710, 2003 (from memory).
        self.like_these = like and replace(like, at_least=self.these)
        self.all_equal = bool(terms) and all(term.variance == 0.0 for _, term in terms)

    @property
    def ratio(self) -> float | None:
        """Of the first card over the other."""
        return None if self.these is None else self.these.ratio

    @property
    def interval(self) -> Interval | None:
        """95 % interval of the ratio over these scenes."""
        return self.these and self.these.ratio_interval(
            0.95, method("these-scenes-interval", cells=counted(len(self.cells), "cell"))
        )

    def caveats(self) -> tuple[Caveat, ...]:
        """What must be said with the numbers of a card against the baseline."""
        tabled, metric = self.tabled, self.metric
        if not self.cells:
            return (caveat_of("no-common-cell/by value" if tabled.of(self.card) else "no-common-cell", metric),)
        caveats = []
        if self.card in tabled.apart:
            words = {"baseline": self.design.label(self.design.baseline), "cells": counted(len(self.cells), "cell")}
            caveats.append(caveat_of("stands-apart", metric, n_planned=tabled.n_planned, **words))
        elif tabled.left_out:
            caveats.append(caveat_of("missing-cells", metric, missing=left_out_words(self.design, tabled.left_out)))
        if self.all_equal:
            caveats.append(caveat_of("no-scatter", metric))
        elif self.these is not None and self.these.standard_error is None:
            caveats.append(caveat_of("one-run/over cells", metric))
        if self.n_stand_ins:
            cells = "A cell has" if self.n_stand_ins == 1 else f"{self.n_stand_ins} cells have"
            caveats.append(caveat_of("one-run-pooled", metric, cells=cells))
        if self.like_these is None:
            caveats.append(caveat_of("too-few-scenes", metric))
        return tuple(caveats)


def overall_comparison(
    table: MetricMeans, cells: TableCells, candidate: str, comparisons: Sequence[CellComparison]
) -> OverallComparison:
    """Candidate against baseline over the cells of a table, with the caveats of these cells."""
    design = table.design
    pair = Pair(table, cells, candidate, design.baseline)
    of_pair = [item for item in comparisons if (item.metric, item.candidate) == (pair.metric, candidate)]
    in_cells = [item for item in of_pair if (item.scene, item.resolution) in set(pair.cells)]
    decision, decision_like = table.decided(pair.these), table.decided(pair.like_these)
    how = method("scenes-like-these-interval", n=pair.n_groups, unit=design.sample_unit)
    row = OverallComparison(
        cut=cells.cut,
        metric=pair.metric,
        candidate=candidate,
        baseline=design.baseline,
        ratio=pair.ratio,
        interval_these_scenes=pair.interval,
        interval_scenes_like_these=pair.like_these and pair.like_these.ratio_interval(0.95, how),
        n_cells=len(pair.cells),
        n_scenes=pair.n_scenes,
        counts=VerdictCounts.of([item.verdict for item in in_cells]),
        n_named=sum(item.stands_after_holm is True for item in in_cells),
        verdict=decision.verdict,
        verdict_scenes_like_these=decision_like.verdict,
        real_but_small=decision.real_but_small,
        sentence="",
        caveats=(*pair.caveats(), *_told_otherwise(pair, of_pair, decision.verdict), *_carried(design, in_cells)),
    )
    return replace(row, sentence=overall_sentence(design, row))


def _told_otherwise(pair: Pair, comparisons: Sequence[CellComparison], whole: Verdict) -> tuple[Caveat, ...]:
    """That a card is ahead or behind in cells left out for lack of another card, and not so over those that count."""
    outside = {(item.scene, item.resolution) for item in pair.tabled.left_out} - set(pair.cells)
    verdicts = [item.verdict for item in comparisons if (item.scene, item.resolution) in outside]
    if not pair.cells or not {"ahead", "behind"} & set(verdicts) - {whole}:
        return ()
    return (caveat_of("left-out-cells-differ", pair.metric, counts=VerdictCounts.of(verdicts).in_words),)


def _carried(design: ReviewDesign, cells: Sequence[CellComparison]) -> list[Caveat]:
    """One caveat for each kind, naming the cells: the details stand with the cells."""
    by_code: dict[str, list[tuple[str, Caveat]]] = defaultdict(list)
    for item in cells:
        for caveat in item.caveats:
            # A note stays with its cell.
            if caveat.weight is not Weight.NOTE:
                by_code[caveat.code].append((design.cell_label(item.scene, item.resolution), caveat))
    carried = []
    for code, members in by_code.items():
        places, messages = list(dict(members)), {caveat.message for _, caveat in members}
        told = f"{places[0]}, {members[0][1].message}"
        if len(messages) > 1:
            # One message must not pass for the others: its numbers are those of one cell.
            told = f"{caveat_title(code)} in {counted(len(places), 'cell')}: {first_of(places, 4)}."
        weight = max((caveat.weight for _, caveat in members), key=list(Weight).index)
        carried.append(replace(members[0][1], message=told, weight=weight, is_carried=True))
    return carried


def order_pairs(table: MetricMeans, cells: TableCells) -> list[PairOrder]:
    """Compare every two cards of a table, with Holm's adjustment over the pairs; each pair once, in plan order."""
    pairs = [(two, Pair(table, cells, *two, of_others=False)) for two in combinations(cells.cards, 2)]
    adjusted = holm_of_known([pair.these and pair.these.p_value for _, pair in pairs])
    verdicts = [table.decided(pair.these).verdict for _, pair in pairs]
    return [
        PairOrder(
            cut=cells.cut,
            metric=pair.metric,
            card=card,
            other=other,
            ratio=pair.ratio,
            interval=pair.interval,
            verdict=verdict,
            stands_after_holm=stands_after(verdict, p_value),
            n_cells=len(pair.cells),
        )
        for ((card, other), pair), verdict, p_value in zip(pairs, verdicts, adjusted, strict=True)
    ]


def place_cards(table: MetricMeans, cells: TableCells, pairs: Sequence[PairOrder]) -> list[Standing]:
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
    standings, baseline = [], table.design.baseline
    for card in (*cells.cards, *cells.apart):
        own, is_apart, is_base = cells.of(card), card in cells.apart, card == baseline
        pair = Pair(table, cells, card, baseline)
        mean, baseline_mean = (mean_value(table, key, own) for key in (card, baseline))
        beside = [other for other in cells.cards if other != card and not is_apart]
        others = tuple(other for other in beside if not {(card, other), (other, card)} & better)
        best = 1 + sum((other, card) in better for other in beside)
        worst = len(cells.cards) - sum((card, other) in better for other in beside)
        standings.append(
            Standing(
                cut=cells.cut,
                metric=pair.metric,
                card=card,
                best_place=None if is_apart else best,
                worst_place=None if is_apart else worst,
                place="apart" if is_apart else " to ".join(str(place) for place in dict.fromkeys((best, worst))),
                not_told_apart_from=others,
                tied_with=others if all({*two} in tied for two in combinations((card, *others), 2)) else (),
                ratio_to_baseline=mean and baseline_mean and mean / baseline_mean,
                interval=None if is_base else pair.interval,
                mean_value=mean,
                baseline_mean_value=baseline_mean,
                n_cells=len(own),
                stands_apart=is_apart,
                caveats=() if is_base else pair.caveats(),
            )
        )

    def rank(item: Standing) -> tuple[bool, float]:
        # What is in equal places is listed by the estimates, too; the place says that this is no order.
        is_last = item.stands_apart or item.mean_value is None
        return item.stands_apart, math.inf if is_last else -table.sign * math.log(item.mean_value or 1.0)

    return sorted(standings, key=rank)


def mean_value(table: MetricMeans, card: str, cells: Sequence[Cell]) -> float | None:
    """Geometric mean of a metric over cells; ``None`` without one, and where one of them has no value."""
    logs = [table.means[card, *cell].mean for cell in cells if (card, *cell) in table.means]
    return geometric_mean(logs) if logs and len(logs) == len(cells) else None


def speed_cells(design: ReviewDesign, cut: CutEntry, metrics: Mapping[str, MetricMeans]) -> TableCells:
    """The cells of standings, pairs, overall comparisons and value.

    The cards are chosen by the headline metric. The other metrics take away the cells in which they have no value,
    as long as half of the cells remain; a metric that would take away more has no mean in the tables of this cut.
    """
    means = {key: table.means for key, table in metrics.items()}
    headline, others = means[design.headline], [of for key, of in means.items() if key != design.headline]

    def with_others(cards: Sequence[str], chosen: tuple[Cell, ...]) -> tuple[Cell, ...]:
        kept = chosen
        for of_metric in others:
            left = _common(of_metric, cards, kept)
            kept = left if 2 * len(left) >= len(chosen) else kept
        return kept

    cards, common = _cards_and_cells(headline, design, [card.key for card in design.cards], cut.cells)
    cells = with_others(cards, common)
    apart_cells = {}
    for card in (card.key for card in design.cards if card.key not in cards):
        beside = _common(headline, (card, design.baseline), cut.cells)
        sides = (card, design.baseline) if beside else (card,)
        apart_cells[card] = with_others(sides, beside or _common(headline, sides, cut.cells))
    shown = {key: of for key, of in means.items() if _common(of, cards, cells) == cells}
    return TableCells(
        cut=cut.key,
        kind="speed",
        cards=cards,
        cells=cells,
        apart=tuple(apart_cells),
        apart_cells=apart_cells,
        left_out=_left_out(cut.cells, cells, cards, shown),
        n_planned=len(cut.cells),
    )


def power_cells(design: ReviewDesign, cut: CutEntry, speed: TableCells, has: Collection[Place]) -> TableCells | None:
    """The cells of the rows of efficiency; ``None`` where no card of the cut has power anywhere.

    ``has`` holds the places with power.
    """
    powered = [card.key for card in design.cards if _common(has, (card.key,), cut.cells)]
    if not powered:
        return None
    cards, cells = _cards_and_cells(has, design, [card for card in powered if card in speed.cards], speed.cells)
    apart_cells = {}
    for card in (card for card in powered if card not in cards):
        own = speed.of(card)
        apart_cells[card] = _common(has, (card, design.baseline), own) or _common(has, (card,), own)
    return replace(
        speed,
        kind="power",
        cards=cards,
        cells=cells,
        apart=tuple(apart_cells),
        apart_cells=apart_cells,
        left_out=(*speed.left_out, *_left_out(speed.cells, cells, cards, {POWER: has})),
    )


def _common(has: Collection[Place], cards: Sequence[str], cells: Sequence[Cell]) -> tuple[Cell, ...]:
    """The cells in which all these cards have a value."""
    return tuple(cell for cell in cells if all((card, *cell) in has for card in cards))


def _cards_and_cells(
    has: Collection[Place], design: ReviewDesign, candidates: Sequence[str], cells: Sequence[Cell]
) -> tuple[tuple[str, ...], tuple[Cell, ...]]:
    """Set cards apart until the others share half of the baseline's cells or more.

    Where the baseline has no cell itself, the card with most cells takes its part here.
    """
    own = {card: len(found) for card in candidates if (found := _common(has, (card,), cells))}
    if not own:
        return (), ()
    cards = list(own)
    anchor = design.baseline if design.baseline in own else max(cards, key=own.__getitem__)

    def without(card: str) -> tuple[int, int, int]:
        others = [other for other in cards if other != card]
        return len(_common(has, others, cells)), -own[card], cards.index(card)

    while 2 * len(common := _common(has, cards, cells)) < own[anchor]:
        # The card without which most cells remain; of equals that with the fewest cells, then the last of the plan.
        cards.remove(max((card for card in cards if card != anchor), key=without))
    return tuple(cards), common


def _left_out(
    planned: Sequence[Cell], cells: Sequence[Cell], cards: Sequence[str], metrics: Mapping[str, Collection[Place]]
) -> tuple[MissingCell, ...]:
    return tuple(
        MissingCell(
            scene=cell[0],
            resolution=cell[1],
            cards=tuple(card for card in cards if any((card, *cell) not in means for means in metrics.values())),
            metrics=tuple(key for key, means in metrics.items() if not _common(means, cards, [cell])),
        )
        for cell in planned
        if cell not in set(cells)
    )
