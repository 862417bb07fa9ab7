"""Speed for the money, break-even prices, energy against speed, and what running the card costs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from frametime.caveats import Caveat
from frametime.metrics.catalog import CATALOG
from frametime.review.cell_comparisons import MetricMeans
from frametime.review.design import CardEntry, Place, ReviewDesign, RunningCost, priced_alike
from frametime.review.overall import POWER, Pair, mean_value
from frametime.review.result_tables import EfficiencyRow, Standing, TableCells, ValueRow
from frametime.review.run_set import ZERO, RunSet
from frametime.review.sentence import caveat_of, method
from frametime.statistics.differences import combined
from frametime.statistics.interval import Interval
from frametime.units import FRAMES_PER_SECOND
from frametime.words import counted, joined

DAYS_PER_YEAR = 365.25
RATE = "average_fps"
PER_JOULE = "frames_per_joule"


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
    speed, priced = speed_metric(design), priced_alike(design.cards)
    if not any(card.price for card in priced):
        return []
    entries = {card.key: (card, given) for card, given in zip(priced, design.cards, strict=True)}
    base, _ = entries[design.baseline]
    return [_row(standing, base, *entries[standing.card]) for standing in standings if standing.metric == speed]


def _row(standing: Standing, base: CardEntry, card: CardEntry, given: CardEntry) -> ValueRow:
    """Value against the baseline, and break-even prices both ways, as far as prices in its currency carry them.

    A card without such a price is still told what it is worth.
    """
    is_base = card.key == base.key
    ratio, interval = (None, None) if is_base else (standing.ratio_to_baseline, standing.interval)
    by_price = _ratio_of(base.price, card.price)
    equal, per_money = "price at which the value is equal", "rate per money over the baseline's"
    per_price = _ratio_of(standing.mean_value, card.price)
    return ValueRow(
        cut=standing.cut,
        metric=standing.metric,
        card=card.key,
        price=card.price,
        currency=card.currency,
        mean_value=standing.mean_value,
        baseline_mean_value=standing.baseline_mean_value,
        fps_per_money=per_price,
        money_per_fps=_ratio_of(card.price, standing.mean_value),
        value_ratio=(per_price and 1.0) if is_base else ratio and by_price and ratio * by_price,
        value_ratio_interval=_scaled(interval, by_price, per_money),
        break_even_price=ratio and base.price and break_even_price(base.price, ratio),
        break_even_interval=_scaled(interval, base.price, equal),
        baseline_break_even_price=ratio and card.price and break_even_price(card.price, 1.0 / ratio),
        baseline_break_even_interval=_scaled(interval and interval.of_reciprocal(), card.price, equal),
        stands_apart=standing.stands_apart,
        caveats=(*standing.caveats, *(() if ratio is None else _about_prices(standing.metric, given, base))),
    )


def _scaled(interval: Interval | None, factor: float | None, what: str) -> Interval | None:
    return None if interval is None or factor is None else interval.scaled(factor, what)


def _about_prices(metric: str, card: CardEntry, base: CardEntry) -> list[Caveat]:
    if card.price is not None and card.currency != base.currency:
        own, other = (entry.currency or "no named currency" for entry in (card, base))
        return [caveat_of("currencies-differ", metric, own=own, other=other)]
    absent = [entry.label for entry in (card, base) if entry.price is None]
    return [caveat_of("no-price", metric, cards=joined(absent))] if absent else []


def _ratio_of(one: float | None, other: float | None) -> float | None:
    return None if one is None or other is None else one / other


def speed_metric(design: ReviewDesign) -> str | None:
    """The metric in which speed for money is counted: the headline if it is a rate, else the average rate."""
    units = {metric.key: metric.unit for metric in design.metrics}
    return next((key for key in (design.headline, RATE) if units.get(key) == FRAMES_PER_SECOND), None)


@dataclass(frozen=True, kw_only=True)
class _PoweredSet(RunSet):
    """The runs of a set that have power. Frames per joule of a run are its average rate over its average power."""

    def values(self, key: str) -> tuple[float | None, ...]:
        if key != PER_JOULE:
            return super().values(key)
        return tuple(rate / power for rate, power in zip(self.values(RATE), self.values(POWER), strict=True))  # type: ignore[operator]


def powered_sets(sets: Mapping[Place, RunSet]) -> dict[Place, RunSet]:
    """Of each set the runs that have both a rate and power; sets without such a run are left out."""
    found: dict[Place, RunSet] = {}
    for place, run_set in sets.items():
        runs = tuple(run for run in run_set.runs if all((run.value(key) or 0.0) > ZERO for key in (RATE, POWER)))
        if runs:
            found[place] = _PoweredSet(**{**vars(run_set), "runs": runs})
    return found


def efficiency_rows(
    design: ReviewDesign, sets: Mapping[Place, RunSet], table_cells: Sequence[TableCells]
) -> list[EfficiencyRow]:
    """One row for each cut and each card that has power in a cell of it.

    Parameters
    ----------
    sets : mapping of place to RunSet
        From `powered_sets`.
    table_cells : sequence of TableCells
        Of the whole review; those of kind ``power`` have rows, and those of kind ``speed`` say what power takes away.
    """
    means = {key: MetricMeans(CATALOG[key], design, sets.values()) for key in (RATE, POWER, PER_JOULE)}
    speed = {cells.cut: cells for cells in table_cells if cells.kind == "speed"}
    return [
        _efficiency_row(means, cells, speed[cells.cut], card)
        for cells in table_cells
        if cells.kind == "power"
        for card in design.cards
        if card.key in (*cells.cards, *cells.apart)
    ]


def _efficiency_row(
    means: Mapping[str, MetricMeans], cells: TableCells, speed: TableCells, entry: CardEntry
) -> EfficiencyRow:
    design, card = means[POWER].design, entry.key
    own, baseline = cells.of(card), design.baseline
    rate, power = (mean_value(means[key], card, own) for key in (RATE, POWER))
    per_joule = _ratio_of(rate, power)
    base_per_joule = _ratio_of(*(mean_value(means[key], baseline, own) for key in (RATE, POWER)))
    pair = None if card == baseline else Pair(means[PER_JOULE], cells, card, baseline)
    caveats = [] if pair is None else [*pair.caveats()]
    if len(own) < len(speed.of(card)):
        caveats.append(caveat_of("cells-without-power", n=len(own), n_speed=len(speed.of(card))))
    cost = None if design.running_cost is None or power is None else running_cost(power, design.running_cost)
    power_interval = _power_interval(means[POWER], card, own)
    cost_interval = _scaled(power_interval, _ratio_of(cost, power), "running cost")
    currency = (design.running_cost and design.running_cost.currency) or entry.currency
    price = entry.price if entry.currency in (None, currency) else None
    return EfficiencyRow(
        cut=cells.cut,
        card=card,
        n_cells=len(own),
        stands_apart=card in cells.apart,
        average_power_w=power,
        average_power_interval=power_interval,
        mean_rate_fps=rate,
        energy_per_frame_j=_ratio_of(power, rate),
        frames_per_joule=per_joule,
        baseline_frames_per_joule=base_per_joule,
        efficiency_ratio=_ratio_of(per_joule, base_per_joule),
        efficiency_interval=None if pair is None else pair.interval,
        years=None if design.running_cost is None else design.running_cost.years,
        running_cost=cost,
        running_cost_interval=cost_interval,
        total_cost=None if cost is None or price is None else cost + price,
        total_cost_interval=None if price is None else cost_interval and cost_interval.shifted(price),
        currency=currency,
        caveats=tuple(caveats),
    )


def _power_interval(powers: MetricMeans, card: str, own: Sequence[tuple[str, str]]) -> Interval | None:
    """Of the mean power over cells, from the scatter of the runs' power."""
    if not own:
        return None
    mean = combined((1.0 / len(own), powers.with_stand_in((card, *cell), n_cells=len(own))) for cell in own)
    return mean.ratio_interval(0.95, method("power-interval", cells=counted(len(own), "cell")))
