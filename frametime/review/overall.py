"""Cards over many cells: two by the geometric mean of paired ratios, and all in an order that the intervals carry.

All numbers that stand side by side in the tables of a cut rest on one set of cells. A reader divides two numbers of a
table and expects the ratio that is printed beside them. That holds only where all cards of the table are averaged over
the same cells; a card with few of them would leave few to all the others, so that it stands apart, compared with the
baseline alone.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import get_args

from frametime.caveats import Caveat, Weight, caveat_title
from frametime.review.cell_comparisons import MetricMeans, holm_of_known, stands_after
from frametime.review.cell_summaries import metric_caveat, no_scatter
from frametime.review.design import CutEntry, ReviewDesign, SampleUnit
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
from frametime.review.run_set import Place
from frametime.review.sentence import left_out_words, overall_sentence
from frametime.statistics.differences import Difference, Interval, combined, geometric_mean, over_sample, with_shared
from frametime.words import counted

THESE_SCENES = "these scenes: run noise only, {n} cells, Welch-Satterthwaite t interval on logs"
SCENES_LIKE_THESE = "scenes like these: {n} {unit}s as a sample, t interval on logs"

Cell = tuple[str, str]


@dataclass(frozen=True, kw_only=True)
class Paired:
    """Two cards over given cells; ``all_equal`` where the runs of each cell agree to the last digit.

    ``these`` carries run noise only; ``like_these`` the scatter between scenes, ``None`` with fewer than two.
    """

    cells: tuple[Cell, ...]
    these: Difference | None
    like_these: Difference | None
    n_stand_ins: int
    all_equal: bool

    @property
    def n_scenes(self) -> int:
        """Scenes of the cells."""
        return len({scene for scene, _ in self.cells})

    @property
    def interval(self) -> Interval | None:
        """95 % interval of the ratio over these scenes."""
        return None if self.these is None else self.these.ratio_interval(0.95, THESE_SCENES.format(n=len(self.cells)))


def pair_cells(
    table: MetricMeans, card: str, other: str, cells: Sequence[Cell], *, sample_unit: SampleUnit = "scene"
) -> Paired:
    """Pair two cards over the cells of a table; over none where either lacks the metric in one of them."""
    used = tuple(cells) if all((name, *cell) in table.means for name in (card, other) for cell in cells) else ()
    terms = []
    n_stand_ins = 0
    log_ratios = []
    for scene, resolution in used:
        one, is_stand_in = table.with_stand_in((card, scene, resolution), n_cells=len(used))
        two, is_other_stand_in = table.with_stand_in((other, scene, resolution), n_cells=len(used))
        n_stand_ins += is_stand_in + is_other_stand_in
        terms += [(1.0 / len(used), one), (-1.0 / len(used), two)]
        log_ratios.append(one.mean - two.mean)
    groups: list[Hashable] = [cell if sample_unit == "cell" else cell[0] for cell in used]
    return Paired(
        cells=used,
        these=combined(terms) if used else None,
        like_these=with_shared(over_sample(log_ratios, groups), terms),
        n_stand_ins=n_stand_ins,
        all_equal=bool(used) and all(term.variance == 0.0 for _, term in terms),
    )


def pair_caveats(paired: Paired, cells: TableCells, card: str, metric: str, design: ReviewDesign) -> tuple[Caveat, ...]:
    """What must be said with the numbers of a card against the baseline."""
    if not paired.cells:
        lacking = "In some cells one of the cards has no value of this metric: there is no ratio."
        message = lacking if cells.of(card) else "No cell has usable runs of both cards."
        return (metric_caveat(metric, code="no-common-cell", message=message),)
    caveats = []
    if card in cells.apart:
        message = (
            f"This card has too few cells for the table and stands apart. It and {design.label(design.baseline)} are "
            f"compared over the {counted(len(paired.cells), 'cell')} of {cells.n_planned} that both have."
        )
        caveats.append(metric_caveat(metric, code="stands-apart", message=message))
    elif cells.left_out:
        message = f"{left_out_words(design, cells.left_out)} Left out for every card of the table."
        caveats.append(metric_caveat(metric, code="missing-cells", message=message))
    if paired.all_equal:
        caveats.append(no_scatter(metric))
    elif paired.these is not None and paired.these.standard_error is None:
        message = "Single runs give no interval; two or more do."
        caveats.append(metric_caveat(metric, code="one-run", message=message))
    if paired.n_stand_ins:
        one = "A cell has a single run" if paired.n_stand_ins == 1 else f"{paired.n_stand_ins} cells have a single run"
        message = f"{one}: the scatter of the card's other cells is taken there."
        caveats.append(metric_caveat(metric, code="one-run-pooled", message=message))
    if paired.like_these is None:
        message = "One scene says nothing about other scenes: there is no interval for scenes like these."
        caveats.append(metric_caveat(metric, code="too-few-scenes", message=message))
    return tuple(caveats)


def overall_comparison(
    design: ReviewDesign, table: MetricMeans, cells: TableCells, candidate: str, comparisons: Sequence[CellComparison]
) -> OverallComparison:
    """Candidate against baseline over the cells of a table, with the caveats of these cells."""
    key = table.metric.key
    paired = pair_cells(table, candidate, design.baseline, cells.of(candidate), sample_unit=design.sample_unit)
    of_pair = [item for item in comparisons if item.metric == key and item.candidate == candidate]
    in_cells = [item for item in of_pair if (item.scene, item.resolution) in set(paired.cells)]
    verdicts, these, like_these = [item.verdict for item in in_cells], paired.these, paired.like_these
    decision, decision_like = table.decided(these, design.margin), table.decided(like_these, design.margin)
    n_units = paired.n_scenes if design.sample_unit == "scene" else len(paired.cells)
    like_method = SCENES_LIKE_THESE.format(n=n_units, unit=design.sample_unit)
    row = OverallComparison(
        cut=cells.cut,
        metric=key,
        candidate=candidate,
        baseline=design.baseline,
        ratio=None if these is None else these.ratio,
        interval_these_scenes=paired.interval,
        interval_scenes_like_these=None if like_these is None else like_these.ratio_interval(0.95, like_method),
        n_cells=len(paired.cells),
        n_scenes=paired.n_scenes,
        counts=VerdictCounts(**{word: verdicts.count(word) for word in get_args(Verdict)}),
        n_named=sum(item.stands_after_holm is True for item in in_cells),
        verdict=decision.verdict,
        verdict_scenes_like_these=decision_like.verdict,
        real_but_small=decision.real_but_small,
        sentence="",
        caveats=(
            *pair_caveats(paired, cells, candidate, key, design),
            *_carried(design, [(item, caveat) for item in in_cells for caveat in item.caveats]),
        ),
    )
    return replace(row, sentence=overall_sentence(design, row))


def _carried(design: ReviewDesign, found: Sequence[tuple[CellComparison, Caveat]]) -> tuple[Caveat, ...]:
    """One caveat for each kind, naming the cells: the details stand with the cells."""
    labels = {scene.key: scene.label for scene in design.scenes}
    by_code: dict[str, list[tuple[CellComparison, Caveat]]] = {}
    for item in found:
        # A note stays with its cell.
        if item[1].weight is not Weight.NOTE:
            by_code.setdefault(item[1].code, []).append(item)
    carried = []
    for code, members in by_code.items():
        cells = list(dict.fromkeys(f"{labels[item.scene]} at {item.resolution}" for item, _ in members))
        messages = list(dict.fromkeys(caveat.message for _, caveat in members))
        # One message must not pass for the others: its numbers are those of one cell.
        told = f"{cells[0]}, {messages[0]}" if len(messages) == 1 else _kind_words(code, cells)
        carried.append(
            Caveat(
                code=code,
                message=told,
                weight=max((caveat.weight for _, caveat in members), key=list(Weight).index),
                metrics=members[0][1].metrics,
                is_carried=True,
            )
        )
    return tuple(carried)


def _kind_words(code: str, cells: Sequence[str]) -> str:
    shown = ", ".join(cells[:4]) + (f" and {len(cells) - 4} more" if len(cells) > 4 else "")
    return f"{caveat_title(code)} in {counted(len(cells), 'cell')}: {shown}."


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
    mean, baseline_mean = (mean_value(table, key, own) for key in (card, baseline))
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


def mean_value(table: MetricMeans, card: str, cells: Sequence[Cell]) -> float | None:
    """Geometric mean of a metric over cells; ``None`` without one, and where one of them has no value."""
    logs = [table.means[card, *cell].mean for cell in cells if (card, *cell) in table.means]
    return geometric_mean(logs) if logs and len(logs) == len(cells) else None


POWER = "average_power_w"


def speed_cells(design: ReviewDesign, cut: CutEntry, metrics: Mapping[str, MetricMeans]) -> TableCells:
    """The cells of standings, pairs, overall comparisons and value.

    The cards are chosen by the headline metric. The other metrics take away the cells in which they have no value,
    as long as half of the cells remain; a metric that would take away more has no mean in the tables of this cut.
    """
    headline = metrics[design.headline].means
    has = {card.key: [cell for cell in cut.cells if (card.key, *cell) in headline] for card in design.cards}
    cards, common = _cards_and_cells(has, design.baseline)
    others = [table.means for key, table in metrics.items() if key != design.headline]
    apart = [card for card in has if card not in cards]
    beside = {card: _beside_baseline(has[card], has[design.baseline]) for card in apart}
    cells = _with_other_metrics(cards, common, others)
    counting = {key: table.means for key, table in metrics.items() if _all_have(table.means, cards, cells)}
    return TableCells(
        cut=cut.key,
        kind="speed",
        cards=cards,
        cells=cells,
        apart=tuple(apart),
        apart_cells={
            card: _with_other_metrics(
                (card, design.baseline) if set(cells_apart) <= set(has[design.baseline]) else (card,),
                cells_apart,
                others,
            )
            for card, cells_apart in beside.items()
        },
        left_out=_left_out(cut.cells, cells, cards, counting),
        n_planned=len(cut.cells),
    )


def power_cells(design: ReviewDesign, cut: CutEntry, speed: TableCells, has: Collection[Place]) -> TableCells | None:
    """The cells of the rows of efficiency; ``None`` where no card of the cut has power anywhere.

    ``has`` holds the places with power.
    """
    powered = [card.key for card in design.cards if any((card.key, *cell) in has for cell in cut.cells)]
    if not powered:
        return None
    of_card = {card: [cell for cell in speed.of(card) if (card, *cell) in has] for card in powered}
    cards, cells = _cards_and_cells({card: of_card[card] for card in powered if card in speed.cards}, design.baseline)
    apart = tuple(card for card in powered if card not in cards)
    return TableCells(
        cut=cut.key,
        kind="power",
        cards=cards,
        cells=cells,
        apart=apart,
        apart_cells={
            card: _beside_baseline(of_card[card], [cell for cell in of_card[card] if (design.baseline, *cell) in has])
            for card in apart
        },
        left_out=(*speed.left_out, *_left_out(speed.cells, cells, cards, {POWER: has})),
        n_planned=len(cut.cells),
    )


def _cards_and_cells(has: Mapping[str, Sequence[Cell]], baseline: str) -> tuple[tuple[str, ...], tuple[Cell, ...]]:
    """Set cards apart until the others share half of the baseline's cells or more.

    Where the baseline has no cell itself, the card with most cells takes its part here.
    """
    cards = [card for card, cells in has.items() if cells]
    if not cards:
        return (), ()
    anchor = baseline if baseline in cards else max(cards, key=lambda card: len(has[card]))

    def without(card: str) -> tuple[int, int, int]:
        others = [other for other in cards if other != card]
        return len(_shared(has, others)), -len(has[card]), cards.index(card)

    common = _shared(has, cards)
    while 2 * len(common) < len(has[anchor]):
        # The card without which most cells remain; of equals that with the fewest cells, then the last of the plan.
        cards.remove(max((card for card in cards if card != anchor), key=without))
        common = _shared(has, cards)
    return tuple(cards), common


def _beside_baseline(own: Sequence[Cell], of_baseline: Sequence[Cell]) -> tuple[Cell, ...]:
    """The cells of a card that the baseline has as well; where there are none, its own."""
    return tuple(cell for cell in own if cell in set(of_baseline)) or tuple(own)


def _shared(has: Mapping[str, Sequence[Cell]], cards: Sequence[str]) -> tuple[Cell, ...]:
    shared = set.intersection(*(set(has[card]) for card in cards))
    return tuple(cell for cell in has[cards[0]] if cell in shared)


def _with_other_metrics(
    cards: Sequence[str], cells: Sequence[Cell], metrics: Sequence[Collection[Place]]
) -> tuple[Cell, ...]:
    kept = list(cells)
    for means in metrics:
        left = [cell for cell in kept if _all_have(means, cards, [cell])]
        if 2 * len(left) >= len(cells):
            kept = left
    return tuple(kept)


def _all_have(means: Collection[Place], cards: Sequence[str], cells: Sequence[Cell]) -> bool:
    return all((card, *cell) in means for card in cards for cell in cells)


def _left_out(
    planned: Sequence[Cell], cells: Sequence[Cell], cards: Sequence[str], metrics: Mapping[str, Collection[Place]]
) -> tuple[MissingCell, ...]:
    return tuple(
        MissingCell(
            scene=cell[0],
            resolution=cell[1],
            cards=tuple(card for card in cards if any((card, *cell) not in means for means in metrics.values())),
            metrics=tuple(key for key, means in metrics.items() if not _all_have(means, cards, [cell])),
        )
        for cell in planned
        if cell not in set(cells)
    )
