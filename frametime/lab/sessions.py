"""Sessions at the bench: the order of their runs, the drift that these share, and the shift between sessions.

The order is such that what drifts over a session does not fall on one card. Cards are put in again and again, in
mirrored order (``A B C, C B A``): between two passes no card is swapped, and what rises or falls evenly over the
session falls on all cards alike. Within a pass every card plays the same runs, in the same order, drawn at random.
Mirrored sequences are those of designs that are free of a trend (D. R. Cox, Biometrika 38, 312-323, 1951; from memory).

A drift that all runs of a session share is told from the times of the runs.

What differs between sessions (driver, build, day) moves all cards of a session alike; a card that was measured in both
shows by how much. Where there is none, sessions scatter as they usually do: that is the intermediate precision of ISO
5725-3, with the session as the one factor. All is in natural logs, of one metric.
"""

from __future__ import annotations

import math
import random
from collections import defaultdict
from collections.abc import Hashable, Mapping, Sequence
from typing import Final, NamedTuple

import numpy as np

from frametime.statistics.differences import Difference, LogMean, SharedError, combined
from frametime.statistics.distributions import FloatArray

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


class Drift(NamedTuple):
    """Change of the logs an hour, the variance of that estimate, and its degrees of freedom."""

    per_hour: float
    variance: float
    degrees_of_freedom: int


def common_drift(sets: Sequence[tuple[FloatArray, FloatArray]]) -> Drift | None:
    """The straight drift that runs under equal conditions have in common, by least squares within the sets.

    Each set keeps a level of its own, so that cards and cells do not pass for drift (analysis of covariance: R. A.
    Fisher, Statistical Methods for Research Workers, 4th edition, 1932; from memory). Sets whose runs were made at
    one time tell nothing of it.

    Parameters
    ----------
    sets : sequence of pairs of ndarray of float64, each of shape (n_runs,)
        Times in hours, and logs of a metric.

    Returns
    -------
    Drift or None
        ``None`` where no set was made at two times, or no degree of freedom is left.

    Examples
    --------
    >>> sets = [(np.array([0.0, 2.0, 4.0]), np.array([0.0, 0.03, 0.04])), (np.array([1.0, 3.0]), np.array([1.0, 1.02]))]
    >>> found = common_drift(sets)
    >>> round(found.per_hour, 4), found.degrees_of_freedom
    (0.01, 2)
    """
    used = [(times - times.mean(), logs - logs.mean()) for times, logs in sets if len(times) > 1]
    spread = sum(float(times @ times) for times, _ in used)
    freedom = sum(len(times) - 1 for times, _ in used) - 1
    if not spread > 0.0 or freedom < 1:
        return None
    slope = sum(float(times @ logs) for times, logs in used) / spread
    left = sum(float(np.sum((logs - slope * times) ** 2)) for times, logs in used)
    return Drift(per_hour=slope, variance=left / freedom / spread, degrees_of_freedom=freedom)


Cells = Mapping[Hashable, LogMean]
"""Of one card in one session."""


class Shift(NamedTuple):
    """How far a session lies above another, how many cells of reference tell it, and the errors of all its means."""

    difference: Difference
    n_cells: int
    errors: tuple[SharedError, ...]


def shift_between(then: Mapping[str, Cells], now: Mapping[str, Cells], *, name: Hashable) -> Shift | None:
    """The shift of a session against another, over the cells of the cards that lie in both; each weighs alike.

    The errors are those of the cells of reference, by their keys: where one of these cells is itself compared, its
    error counts once. Without a ``key`` a mean of then gets one of its own, under ``name``.

    Parameters
    ----------
    then, now : Mapping of str to Mapping of cell to LogMean
        Of each card its cells.
    name : hashable
        Of the session then.

    Returns
    -------
    Shift or None
        ``None`` where no card lies in both, or nothing tells how much its runs scatter.
    """
    pairs = [
        (card, cell, then[card][cell], now[card][cell])
        for card in then
        if card in now
        for cell in then[card]
        if cell in now[card]
    ]
    if not pairs:
        return None
    share = 1.0 / len(pairs)
    found = combined([term for _, _, one, other in pairs for term in ((share, one), (-share, other))])
    if found.standard_error is None:
        return None
    errors = []
    for card, cell, one, other in pairs:
        for mean, amount in ((one, -share), (other, share)):
            assert mean.variance is not None
            errors.append(
                SharedError(
                    key=(name, card, cell, amount < 0.0) if mean.key is None else mean.key,
                    amount=amount,
                    variance=mean.variance,
                    degrees_of_freedom=mean.degrees_of_freedom,
                )
            )
    return Shift(found, len(pairs), tuple(errors))


class SessionScatter(NamedTuple):
    """Variance of the means of sessions, the noise of runs in it, degrees of freedom, and how many sessions tell."""

    variance: float
    noise: float
    degrees_of_freedom: float
    n_sessions: int

    @property
    def standard_deviation(self) -> float:
        """Of the shift of one session."""
        return math.sqrt(self.variance)

    def error_of(self, session: Hashable) -> SharedError:
        """The error that all means of a session share."""
        return SharedError(
            key=("session", session),
            amount=1.0,
            variance=self.variance,
            degrees_of_freedom=self.degrees_of_freedom,
            noise=self.noise,
        )


def scatter_between(sessions: Mapping[Hashable, Mapping[str, Cells]]) -> SessionScatter | None:
    """How much sessions scatter, from the cards that lie in several of them.

    Of each such card the variance of its means over the cells that it has in all of its sessions; these are pooled,
    and with them what the noise of its runs adds. Cards of the same sessions tell of the same shifts, so that the
    degrees of freedom are those of the sessions: of each group that cards join, one less than it has.

    Parameters
    ----------
    sessions : Mapping of session to Mapping of card to cells

    Returns
    -------
    SessionScatter or None
        ``None`` where no card lies in two sessions.

    References
    ----------
    ISO 5725-3:1994, 5 and 8 (intermediate precision, one factor between groups of results).
    """
    squares, noise, freedom = 0.0, 0.0, 0
    groups: list[set[Hashable]] = []
    for card in dict.fromkeys(card for cards in sessions.values() for card in cards):
        own = {session: cards[card] for session, cards in sessions.items() if card in cards}
        first, *others = own.values()
        common = [cell for cell in first if all(cell in cells for cells in others)]
        if not others or not common:
            continue
        means = [float(np.add.reduce([cells[cell].mean for cell in common])) / len(common) for cells in own.values()]
        squares += float(np.var(means, ddof=1)) * (len(own) - 1)
        of_runs = [cells[cell].variance or 0.0 for cells in own.values() for cell in common]
        noise += float(np.add.reduce(of_runs)) / len(of_runs) / len(common) * (len(own) - 1)
        freedom += len(own) - 1
        joined = [group for group in groups if group & set(own)]
        groups = [group for group in groups if group not in joined] + [set(own).union(*joined)]
    if not freedom or not squares > 0.0:
        return None
    n_sessions = sum(map(len, groups))
    return SessionScatter(squares / freedom, noise / freedom, n_sessions - len(groups), n_sessions)
