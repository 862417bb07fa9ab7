"""Energy against speed, where sensor logs were given."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from frametime.caveats import Caveat, Weight
from frametime.metrics.metric import Interval
from frametime.review.cells import MetricMeans
from frametime.review.comparison import geometric_mean, log_mean
from frametime.review.design import ReviewDesign
from frametime.review.flags import card_spread
from frametime.review.overall import THESE_SCENES, pair_caveats, pair_cells
from frametime.review.result_entries import CutEntry, MetricEntry
from frametime.review.result_overall import EfficiencyRow
from frametime.review.run_set import Place, RunSet
from frametime.review.value import running_cost

FRAMES_PER_JOULE = MetricEntry(
    key="frames_per_joule",
    label="frames per joule",
    unit="{frame}/J",
    better="higher",
    definition="Frames over energy, the trapezoid of power over the capture's own time.",
    source="reciprocal of energy per frame",
    is_headline=False,
)


def efficiency_rows(design: ReviewDesign, sets: Mapping[Place, RunSet]) -> list[EfficiencyRow]:
    """One row for each cut and each card that has power in a cell of it."""
    table = _table(design, sets)
    return [
        row
        for cut in design.cuts
        for card in design.cards
        if (row := _row(design, sets, table, cut, card.key)) is not None
    ]


def _table(design: ReviewDesign, sets: Mapping[Place, RunSet]) -> MetricMeans:
    spreads = {card.key: card_spread(card.key, FRAMES_PER_JOULE.key, list(sets.values())) for card in design.cards}
    means = {place: log_mean(logs) for spread in spreads.values() for place, logs in spread.logs.items()}
    return MetricMeans(metric=FRAMES_PER_JOULE, means=means, spreads=spreads)


def _row(
    design: ReviewDesign, sets: Mapping[Place, RunSet], table: MetricMeans, cut: CutEntry, card: str
) -> EfficiencyRow | None:
    places = [(card, *cell) for cell in cut.cells if (card, *cell) in sets]
    powers = [mean for place in places if (mean := _plain_mean(sets[place], "average_power_w")) is not None]
    if not powers:
        return None
    power = math.fsum(powers) / len(powers)
    per_joule = [table.means[place].mean for place in places if place in table.means]
    frames_per_joule = geometric_mean(per_joule) if per_joule else None
    ratio: float | None = 1.0 if card == design.baseline else None
    interval: Interval | None = None
    caveats: list[Caveat] = []
    if card != design.baseline:
        paired = pair_cells(table, card, design.baseline, cut.cells, sample_unit=design.sample_unit)
        caveats.extend(pair_caveats(paired, FRAMES_PER_JOULE.key, design))
        if paired.these is not None:
            ratio = math.exp(paired.these.value)
            interval = paired.these.ratio_interval(0.95, THESE_SCENES.format(n=len(paired.cells)))
    if len(powers) < len(cut.cells):
        caveats.append(
            Caveat(
                code="cells-without-power",
                message=f"Power is known in {len(powers)} of {len(cut.cells)} cells.",
                weight=Weight.CARE,
            )
        )
    entry = next(item for item in design.cards if item.key == card)
    cost = None if design.running_cost is None else running_cost(power, design.running_cost)
    return EfficiencyRow(
        cut=cut.key,
        card=card,
        n_cells=len(powers),
        average_power_w=power,
        energy_per_frame_j=None if frames_per_joule is None else 1.0 / frames_per_joule,
        frames_per_joule=frames_per_joule,
        efficiency_ratio=ratio,
        efficiency_interval=interval,
        years=None if design.running_cost is None else design.running_cost.years,
        running_cost=cost,
        total_cost=None if cost is None or entry.price is None else cost + entry.price,
        currency=entry.currency if design.running_cost is None else design.running_cost.currency or entry.currency,
        caveats=tuple(caveats),
    )


def _plain_mean(run_set: RunSet, key: str) -> float | None:
    values: Sequence[float] = [value for value in run_set.values(key) if value is not None]
    return math.fsum(values) / len(values) if values else None
