"""Speed for the money, break-even prices, energy against speed, and what running the card costs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from frametime.caveats import Caveat, Weight
from frametime.review.card_repeatability import card_spread
from frametime.review.cell_comparisons import MetricMeans, metric_means
from frametime.review.cell_summaries import metric_caveat
from frametime.review.design import CardEntry, CutEntry, MetricEntry, ReviewDesign, RunningCost
from frametime.review.overall import pair_caveats, pair_cells
from frametime.review.result_tables import EfficiencyRow, Standing, ValueRow
from frametime.review.run_set import Place, RunSet
from frametime.statistics.differences import Interval, LogMean, combined, geometric_mean, log_mean
from frametime.words import joined

DAYS_PER_YEAR = 365.25
FRAMES_PER_JOULE = MetricEntry(
    key="frames_per_joule",
    label="frames per joule",
    unit="{frame}/J",
    better="higher",
    definition="Frames over energy, the trapezoid of power over the capture's own time.",
    source="reciprocal of energy per frame",
    is_headline=False,
)


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
    """One row a card for each cut, from the standings of the metric in which speed is counted; none without a price."""
    speed, cards = speed_metric(design), {card.key: card for card in design.cards}
    if not any(card.price for card in design.cards):
        return []
    base = cards[design.baseline]
    return [_row(standing, cards[standing.card], base) for standing in standings if standing.metric == speed]


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
    equal, per_money = "price at which the value is equal", "rate per money over the baseline's"
    same_currency = card.currency == base.currency
    # A card without a price, and so without a currency, may still be told what it is worth in the baseline's.
    if base.price is not None and (same_currency or card.currency is None):
        row = replace(
            row,
            break_even_price=break_even_price(base.price, ratio),
            break_even_interval=interval and interval.scaled(base.price, equal),
        )
    if card.price is not None and same_currency:
        row = replace(
            row,
            baseline_break_even_price=break_even_price(card.price, 1.0 / ratio),
            baseline_break_even_interval=interval and interval.of_reciprocal().scaled(card.price, equal),
        )
    if card.price is not None and base.price is not None and same_currency:
        row = replace(
            row,
            value_ratio=ratio * base.price / card.price,
            value_ratio_interval=interval and interval.scaled(base.price / card.price, per_money),
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


def _ratio_of(one: float | None, other: float | None) -> float | None:
    return None if one is None or other is None else one / other


def speed_metric(design: ReviewDesign) -> str | None:
    """The metric in which speed for money is counted: the headline if it is a rate, else the average rate."""
    units = {metric.key: metric.unit for metric in design.metrics}
    return next((key for key in (design.headline, "average_fps") if units.get(key) == "{frame}/s"), None)


def efficiency_rows(design: ReviewDesign, sets: Mapping[Place, RunSet]) -> list[EfficiencyRow]:
    """One row for each cut and each card that has power in a cell of it."""
    table = _energy_means(design, sets)
    return [
        row
        for cut in design.cuts
        for card in design.cards
        if (row := _efficiency_row(design, sets, table, cut, card.key)) is not None
    ]


def _energy_means(design: ReviewDesign, sets: Mapping[Place, RunSet]) -> MetricMeans:
    key, members = FRAMES_PER_JOULE.key, list(sets.values())
    spreads = {(card.key, key): card_spread(card.key, key, members) for card in design.cards}
    return metric_means(FRAMES_PER_JOULE, design, spreads)


def _efficiency_row(
    design: ReviewDesign, sets: Mapping[Place, RunSet], table: MetricMeans, cut: CutEntry, card: str
) -> EfficiencyRow | None:
    places = [(card, *cell) for cell in cut.cells if (card, *cell) in sets]
    powers = _power_means(design, sets, places)
    if not powers:
        return None
    mean_power = combined((1.0 / len(powers), power) for power in powers)
    power, ends = mean_power.value, mean_power.bounds(0.95)
    power_method = f"these scenes: run noise only, {len(powers)} cells, Welch-Satterthwaite t interval"
    power_interval = None if ends is None else Interval(low=ends[0], high=ends[1], level=0.95, method=power_method)
    per_joule = [table.means[place].mean for place in places if place in table.means]
    frames_per_joule = geometric_mean(per_joule) if per_joule else None
    ratio: float | None = 1.0 if card == design.baseline else None
    interval: Interval | None = None
    caveats: list[Caveat] = []
    if card != design.baseline:
        paired = pair_cells(table, card, design.baseline, cut.cells, sample_unit=design.sample_unit)
        caveats.extend(pair_caveats(paired, FRAMES_PER_JOULE.key, design))
        ratio, interval = None if paired.these is None else paired.these.ratio, paired.interval
    if len(powers) < len(cut.cells):
        message = f"Power is known in {len(powers)} of {len(cut.cells)} cells."
        caveats.append(Caveat(code="cells-without-power", message=message, weight=Weight.CARE))
    entry = next(item for item in design.cards if item.key == card)
    cost, cost_interval = None, None
    if design.running_cost is not None:
        cost = running_cost(power, design.running_cost)
        cost_interval = power_interval and power_interval.scaled(cost / power, "running cost") if power > 0.0 else None
    return EfficiencyRow(
        cut=cut.key,
        card=card,
        n_cells=len(powers),
        average_power_w=power,
        average_power_interval=power_interval,
        energy_per_frame_j=None if frames_per_joule is None else 1.0 / frames_per_joule,
        frames_per_joule=frames_per_joule,
        efficiency_ratio=ratio,
        efficiency_interval=interval,
        years=None if design.running_cost is None else design.running_cost.years,
        running_cost=cost,
        running_cost_interval=cost_interval,
        total_cost=None if cost is None or entry.price is None else cost + entry.price,
        total_cost_interval=None if entry.price is None else cost_interval and cost_interval.shifted(entry.price),
        currency=entry.currency if design.running_cost is None else design.running_cost.currency or entry.currency,
        caveats=tuple(caveats),
    )


def _power_means(design: ReviewDesign, sets: Mapping[Place, RunSet], places: Sequence[Place]) -> list[LogMean]:
    """Average power of one card in each cell that has it, in watts, with the variance of that mean.

    A single run takes the card's pooled scatter, and a cell that stands alone that of the review's rule; both are of
    logs, so they count as shares of the mean.
    """
    key = "average_power_w"
    found = {place: [value for value in sets[place].values(key) if value is not None] for place in places}
    found = {place: values for place, values in found.items() if values}
    if not found:
        return []
    spread = card_spread(places[0][0], key, list(sets.values()))
    means = []
    for place, values in found.items():
        mean = log_mean(values)
        stand_in = spread.standing_in(place, design.spread) if len(found) == 1 or design.spread == "pooled" else None
        stand_in = stand_in or (spread.pooled if len(values) == 1 else None)
        if stand_in is not None:
            mean = replace(
                mean,
                variance=stand_in.variance * mean.mean**2 / len(values),
                degrees_of_freedom=stand_in.degrees_of_freedom,
                pool="card" if stand_in is spread.pooled else None,
            )
        means.append(mean)
    return means
