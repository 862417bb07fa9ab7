"""Speed for the money: rate per money, break-even prices, and what running the card costs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from frametime.caveats import Caveat, Weight
from frametime.metrics.metric import Interval
from frametime.review.design import ReviewDesign, RunningCost
from frametime.review.metric_caveats import metric_caveat
from frametime.review.result_entries import CardEntry
from frametime.review.result_overall import Standing, ValueRow
from frametime.review.standings import turned_interval
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
        caveats=standing.caveats,
    )
    if card.key == base.key:
        return replace(row, value_ratio=1.0 if card.price else None)
    if standing.ratio_to_baseline is None:
        return row
    return _against_baseline(row, standing.ratio_to_baseline, standing.interval, card, base)


def _against_baseline(
    row: ValueRow, ratio: float, interval: Interval | None, card: CardEntry, base: CardEntry
) -> ValueRow:
    """Break-even prices both ways and value against the baseline, as far as the prices carry them."""
    equal = "price at which the value is equal"
    same_currency = card.currency == base.currency
    # A card without a price, and so without a currency, may still be told what it is worth in the baseline's.
    if base.price is not None and (same_currency or card.currency is None):
        row = replace(
            row,
            break_even_price=break_even_price(base.price, ratio),
            break_even_interval=_scaled(interval, base.price, equal),
        )
    if card.price is not None and same_currency:
        row = replace(
            row,
            baseline_break_even_price=break_even_price(card.price, 1.0 / ratio),
            baseline_break_even_interval=_scaled(turned_interval(interval), card.price, equal),
        )
    if card.price is not None and base.price is not None and same_currency:
        row = replace(
            row,
            value_ratio=ratio * base.price / card.price,
            value_ratio_interval=_scaled(interval, base.price / card.price, "rate per money over the baseline's"),
        )
    return replace(row, caveats=(*row.caveats, *_about_prices(row.metric, card, base)))


def _about_prices(metric: str, card: CardEntry, base: CardEntry) -> list[Caveat]:
    absent = [entry.label for entry in (card, base) if entry.price is None]
    if absent:
        message = f"The plan gives no price for {joined(absent)}."
        return [metric_caveat(metric, code="no-price", message=message, weight=Weight.NOTE)]
    if card.currency != base.currency:
        message = f"The prices are in {card.currency} and {base.currency}: their value cannot be compared."
        return [metric_caveat(metric, code="currencies-differ", message=message, weight=Weight.NOTE)]
    return []


def _scaled(interval: Interval | None, factor: float, what: str) -> Interval | None:
    if interval is None:
        return None
    return replace(
        interval, low=interval.low * factor, high=interval.high * factor, method=f"{what}, from {interval.method}"
    )


def _ratio_of(one: float | None, other: float | None) -> float | None:
    return None if one is None or other is None else one / other


def speed_metric(design: ReviewDesign) -> str | None:
    """The metric in which speed for money is counted: the headline if it is a rate, else the average rate."""
    units = {metric.key: metric.unit for metric in design.metrics}
    return next((key for key in (design.headline, "average_fps") if units.get(key) == "{frame}/s"), None)
