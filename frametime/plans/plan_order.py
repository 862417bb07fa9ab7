"""The order in which the runs of a plan are made: by the keys of its ``[order]``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import msgspec

from frametime.lab.order import Cost, OrderQuality, Step, orders, recommended
from frametime.plans.plan_keys import OrderKeys
from frametime.review.design import ReviewDesign


def orders_of(design: ReviewDesign, keys: OrderKeys) -> tuple[Sequence[OrderQuality], int, tuple[Step, ...]]:
    """What each order of the runs planned would cost and buy, which of them to take, and its steps."""
    cost = Cost(run_min=keys.minutes_per_run, swap_min=keys.minutes_per_swap)
    cards = [card.key for card in design.cards]
    found = orders(cards, design.cells, design.runs_planned, seed=keys.seed, cost=cost)
    at = recommended(found, keys.swaps)
    return [one for one, _ in found], at, found[at][1]


def changed_order(keys: OrderKeys | None, given: Mapping[str, float]) -> OrderKeys:
    """The keys of a plan, or those by default, with others in place of some."""
    return msgspec.structs.replace(keys or OrderKeys(), **given)


def order_lines(keys: OrderKeys) -> str:
    """The table as it stands in a plan."""
    told = {name: value for name, value in msgspec.structs.asdict(keys).items() if value is not None}
    return "\n".join(["[order]", *(f"{name} = {value:.15g}" for name, value in told.items())])


def chosen_order(design: ReviewDesign, keys: OrderKeys | None) -> tuple[Step, ...]:
    """The steps of the order that a plan asks for; none where it asks for no order."""
    return () if keys is None else orders_of(design, keys)[2]
