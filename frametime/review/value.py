"""Speed for the money: rate per money, break-even prices, and what running the card costs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from frametime.caveats import Caveat, Weight
from frametime.metrics.metric import Interval
from frametime.review.design import ReviewDesign, RunningCost
from frametime.review.result_entries import CardEntry
from frametime.review.result_overall import Standing, ValueRow
from frametime.words import joined

DAYS_PER_YEAR = 365.25


def break_even_price(other_price: float, ratio: float) -> float:
    """Price at which a card's rate per money equals the other's, ``ratio`` being card over other in rate.

    Examples
    --------
    A card that is 20 % faster than one of 500 may cost 600:

    >>> break_even_price(500.0, 1.2)
    600.0
    """
    if not (other_price > 0.0 and ratio > 0.0):
        raise ValueError(f"other_price and ratio must be positive, got {other_price!r} and {ratio!r}")
    return other_price * ratio


def running_cost(average_power_w: float, cost: RunningCost) -> float:
    """Cost of the electricity of the card alone, while playing, over the years of the plan.

    Power in W times hours a day times 365.25 days times years, in kWh, times the tariff.

    Examples
    --------
    >>> round(running_cost(250.0, RunningCost(tariff_per_kwh=0.4, hours_per_day=2.0, years=3.0, currency="EUR")), 2)
    219.15
    """
    if average_power_w < 0.0:
        raise ValueError(f"average_power_w must not be negative, got {average_power_w!r}")
    hours = cost.hours_per_day * DAYS_PER_YEAR * cost.years
    return average_power_w / 1000.0 * hours * cost.tariff_per_kwh


def value_rows(design: ReviewDesign, standings: Sequence[Standing]) -> list[ValueRow]:
    """One row a card for each cut, from the standings of the metric in which speed is counted.

    Parameters
    ----------
    standings : sequence of Standing
        Of one metric in which more is better.
    """
    cards = {card.key: card for card in design.cards}
    base = cards[design.baseline]
    return [_row(standing, cards[standing.card], base) for standing in standings]


def _row(standing: Standing, card: CardEntry, base: CardEntry) -> ValueRow:
    caveats = list(standing.caveats)
    row = ValueRow(
        cut=standing.cut,
        metric=standing.metric,
        card=card.key,
        price=card.price,
        currency=card.currency,
        mean_value=standing.mean_value,
        fps_per_money=_ratio_of(standing.mean_value, card.price),
        money_per_fps=_ratio_of(card.price, standing.mean_value),
        value_ratio=None,
        value_ratio_interval=None,
        break_even_price=None,
        break_even_interval=None,
        baseline_break_even_price=None,
        baseline_break_even_interval=None,
        caveats=(),
    )
    ratio, interval = standing.ratio_to_baseline, standing.interval
    if card.key == base.key or ratio is None:
        return replace(row, value_ratio=1.0 if card.key == base.key and card.price else None, caveats=tuple(caveats))
    absent = [entry.label for entry in (card, base) if entry.price is None]
    if absent:
        caveats.append(
            Caveat(
                code="no-price",
                message=(f"The plan gives no price for {joined(absent)}."),
                weight=Weight.NOTE,
                metrics=(standing.metric,),
            )
        )
    elif card.currency != base.currency:
        caveats.append(
            Caveat(
                code="currencies-differ",
                message=(f"The prices are in {card.currency} and {base.currency}: their value cannot be compared."),
                weight=Weight.NOTE,
                metrics=(standing.metric,),
            )
        )
    if base.price is not None and card.currency in {base.currency, None}:
        row = replace(
            row,
            break_even_price=break_even_price(base.price, ratio),
            break_even_interval=_scaled(interval, base.price, "price at which the value is equal"),
        )
    if card.price is not None and card.currency == base.currency:
        row = replace(
            row,
            baseline_break_even_price=card.price / ratio,
            baseline_break_even_interval=_scaled_inverse(interval, card.price, "price at which the value is equal"),
        )
    if card.price is not None and base.price is not None and card.currency == base.currency:
        row = replace(
            row,
            value_ratio=ratio * base.price / card.price,
            value_ratio_interval=_scaled(interval, base.price / card.price, "rate per money over the baseline's"),
        )
    return replace(row, caveats=tuple(caveats))


def _scaled(interval: Interval | None, factor: float, what: str) -> Interval | None:
    if interval is None:
        return None
    return replace(
        interval, low=interval.low * factor, high=interval.high * factor, method=f"{what}, from {interval.method}"
    )


def _scaled_inverse(interval: Interval | None, factor: float, what: str) -> Interval | None:
    if interval is None:
        return None
    return replace(
        interval, low=factor / interval.high, high=factor / interval.low, method=f"{what}, from {interval.method}"
    )


def _ratio_of(one: float | None, other: float | None) -> float | None:
    return None if one is None or other is None else one / other


def speed_metric(design: ReviewDesign, units: Mapping[str, str]) -> str | None:
    """The metric in which speed for money is counted: the headline if it is a rate, else the average rate."""
    keys = [design.headline, "average_fps"]
    return next((key for key in keys if units.get(key) == "{frame}/s"), None)
