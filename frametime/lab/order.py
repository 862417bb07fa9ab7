"""The order in which runs are made, so that what drifts over a session does not fall on one card.

Cards are put in again and again, in mirrored order (``A B C, C B A``): between two passes no card is swapped, and what
rises or falls evenly over the session falls on all cards alike. Within a pass every card plays the same runs, in the
same order, drawn at random. Mirrored sequences are those of designs that are free of a trend (D. R. Cox, Biometrika 38,
312-323, 1951; from memory).
"""

from __future__ import annotations

import random
from collections import defaultdict
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np

LEAST_SHARE: Final = 0.05
"""Of a drift over the whole session at most this share may be left in a mean over all cells: 0.1 % of 2 %."""
MOST_PASSES: Final = 8


class Step(NamedTuple):
    """A run to make; ``stint`` counts the stretches on one card, and ``start_min`` is when it begins, in minutes."""

    card: str
    scene: str
    resolution: str
    run: str
    stint: int
    start_min: float


class Cost(NamedTuple):
    """What a session costs in minutes: a run with all that belongs to it, and swapping a card."""

    run_min: float = 3.0
    swap_min: float = 10.0


class OrderQuality(NamedTuple):
    """What an order costs and buys.

    ``left_whole`` and ``left_cell`` are the parts of a drift of 1 an hour that are left between two cards at worst: in
    the mean over all cells, and in one cell.
    """

    passes: int
    n_swaps: int
    hours: float
    left_whole: float
    left_cell: float


def run_order(
    cards: Sequence[str],
    cells: Sequence[tuple[str, str]],
    n_runs: int,
    *,
    passes: int,
    seed: int,
    cost: Cost = Cost(),  # noqa: B008  # it cannot be changed
) -> tuple[Step, ...]:
    """All runs of a plan in ``passes`` passes over the cards; one pass is card by card.

    The runs of a cell are dealt to passes that follow each other, so that as many go up as down, and cells in turn
    begin with either.

    Examples
    --------
    >>> steps = run_order(["a", "b"], [("harbor", "1440p")], 2, passes=2, seed=1)
    >>> [(step.card, step.run, step.stint) for step in steps]
    [('a', '1', 0), ('b', '1', 1), ('b', '2', 1), ('a', '2', 2)]
    """
    drawn = random.Random(seed)  # its numbers are the same in every version
    dealt: dict[int, list[tuple[int, tuple[str, str]]]] = defaultdict(list)
    shuffled = sorted(cells, key=lambda _: drawn.random())
    for at, cell in enumerate(shuffled):
        for run, place in enumerate(sorted((at + k) % passes for k in range(n_runs))):
            dealt[place].append((run, cell))
    steps: list[Step] = []
    minutes, stint = 0.0, 0
    for place in range(passes):
        # Where a cell comes twice in a pass, all others come between.
        of_pass = sorted(dealt[place], key=lambda item: (item[0], drawn.random()))
        for card in cards if place % 2 == 0 else cards[::-1]:
            if of_pass and steps and steps[-1].card != card:
                minutes, stint = minutes + cost.swap_min, stint + 1
            for run, cell in of_pass:
                steps.append(Step(card, *cell, str(run + 1), stint, minutes))
                minutes += cost.run_min
    return tuple(steps)


def quality(steps: Sequence[Step], passes: int, cost: Cost = Cost()) -> OrderQuality:  # noqa: B008
    """What an order buys, counted from the times of its runs.

    Examples
    --------
    Card by card, the mean times of two cards lie half a session apart; mirrored, not at all:

    >>> cells, cost = [("harbor", "1440p"), ("canyon", "1440p")], Cost(run_min=15.0, swap_min=0.0)
    >>> found = [run_order(["a", "b"], cells, 3, passes=passes, seed=1, cost=cost) for passes in (1, 2)]
    >>> [round(quality(steps, passes, cost).left_whole, 3) for passes, steps in enumerate(found, 1)]
    [1.5, 0.0]
    """
    times: dict[tuple[str, str], dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for step in steps:
        times[step.scene, step.resolution][step.card].append((step.start_min + 0.5 * cost.run_min) / 60.0)
    means = np.array([[np.mean(of_card[card]) for card in sorted(of_card)] for of_card in times.values()])
    return OrderQuality(
        passes=passes,
        n_swaps=steps[-1].stint,
        hours=(steps[-1].start_min + cost.run_min) / 60.0,
        left_whole=float(np.ptp(means.mean(axis=0))),
        left_cell=float(np.ptp(means, axis=1).max()),
    )


def orders(
    cards: Sequence[str],
    cells: Sequence[tuple[str, str]],
    n_runs: int,
    *,
    seed: int,
    cost: Cost = Cost(),  # noqa: B008
) -> list[tuple[OrderQuality, tuple[Step, ...]]]:
    """Card by card, and mirrored in two passes and more, as far as there are runs for them; fewest swaps first."""
    most = min(MOST_PASSES, n_runs * len(cells))
    found: list[tuple[OrderQuality, tuple[Step, ...]]] = []
    for passes in (1, *range(2, most + 1, 2)):
        steps = run_order(cards, cells, n_runs, passes=passes, seed=seed, cost=cost)
        one = quality(steps, passes, cost)
        if not found or one.n_swaps > found[-1][0].n_swaps:
            found.append((one, steps))
    return found


def recommended(found: Sequence[tuple[OrderQuality, tuple[Step, ...]]], most_swaps: int | None = None) -> int:
    """Which of `orders` to take: with the most swaps that are allowed; unasked, the fewest that leave little enough."""
    if most_swaps is not None:
        allowed = [at for at, (one, _) in enumerate(found) if one.n_swaps <= most_swaps]
        return max(allowed, key=lambda at: found[at][0].n_swaps, default=0)
    good = [at for at, (one, _) in enumerate(found) if one.left_whole <= LEAST_SHARE * one.hours]
    return good[0] if good else min(range(len(found)), key=lambda at: found[at][0].left_whole)
