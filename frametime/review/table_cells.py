"""The cells on which the tables of a cut rest: one set for all numbers that stand side by side.

A reader divides two numbers of a table and expects the ratio that is printed beside them. That holds only where all
cards of the table are averaged over the same cells; a card with few of them would leave few to all the others, so
that it stands apart, compared with the baseline alone.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from frametime.review.cell_comparisons import MetricMeans
from frametime.review.design import CutEntry, ReviewDesign
from frametime.review.result_tables import MissingCell, TableCells
from frametime.review.run_set import Place

Cell = tuple[str, str]
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
