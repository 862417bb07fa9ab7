"""Candidate against baseline in every cell."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Final

from frametime.caveats import Caveat
from frametime.lab.looks import LEAD_ERROR, PLAIN, LookLevels, levels_at
from frametime.metrics.metric import Metric
from frametime.review.design import MetricEntry, ReviewDesign, SpreadRule
from frametime.review.result_tables import CellComparison, CellLogMean, CellSummary, Scatter, Verdict
from frametime.review.run_set import Place
from frametime.review.runs.card_repeatability import CardSpread
from frametime.review.runs.cell_summaries import bearing_on, metric_caveat, no_scatter, too_wide
from frametime.review.verdict_rule import Decision, RunsNeeded, decide, runs_needed
from frametime.statistics.differences import Difference, LogMean, SharedError, holm_adjusted, log_mean, mean_difference

METHODS: Final[Mapping[SpreadRule, str]] = {
    "shared": (
        "t interval on logs of {candidate} and {baseline} runs, each side's scatter shared with its card's other cells "
        "(empirical Bayes), back-transformed"
    ),
    "own": "Welch t interval on logs of {candidate} and {baseline} runs, back-transformed",
    "pooled": "t interval on logs of {candidate} and {baseline} runs with each card's pooled scatter, back-transformed",
}


@dataclass(frozen=True, kw_only=True)
class MetricMeans:
    """Mean logs of one metric in every cell of every card, and what each card's runs tell of scatter.

    ``means`` are for one cell, with the scatter that the review's rule gives it. ``means_of_many`` are for sums over
    cells: many cells together know their scatter by themselves, and what they share would be counted over again (in
    the simulation of the tests 92 % in place of 95 %).
    """

    metric: MetricEntry | Metric
    means: Mapping[Place, LogMean]
    means_of_many: Mapping[Place, LogMean]
    spreads: Mapping[str, CardSpread]

    @property
    def sign(self) -> float:
        """Direction of the advantage: ``sign * log ratio`` is it, +1 where more is better, -1 where less is."""
        return -1.0 if self.metric.better == "lower" else 1.0

    def decided(self, difference: Difference | None, margin: float, levels: LookLevels | None = PLAIN) -> Decision:
        """The verdict on a difference of logs, whichever way is better; *undecided* without one, or before a look."""
        if difference is None or levels is None:
            return Decision(verdict="undecided", real_but_small=False)
        return decide(difference if self.sign > 0 else difference.reversed(), margin=margin, levels=levels)

    def with_stand_in(self, place: Place, *, n_cells: int = 1) -> tuple[LogMean, bool]:
        """The mean of a cell, alone or as one of several.

        Where it has a single run, the card's pooled scatter stands in, and ``True`` is told.
        """
        mean = (self.means if n_cells == 1 else self.means_of_many)[place]
        pooled = self.spreads[place[0]].pooled
        if mean.variance is not None or pooled is None:
            return mean, False
        freedom = pooled.degrees_of_freedom
        return replace(mean, variance=pooled.variance / mean.n_runs, degrees_of_freedom=freedom, pool=place[0]), True


def metric_means(
    metric: MetricEntry | Metric,
    design: ReviewDesign,
    spreads: Mapping[tuple[str, str], CardSpread],
    shared: Mapping[tuple[str, Place], tuple[SharedError, ...]] = MappingProxyType({}),
) -> MetricMeans:
    """Mean logs of every cell, with the scatter that the design's rule gives it, and the errors that cells share."""
    of_cards = {card.key: spreads[card.key, metric.key] for card in design.cards}
    means: dict[Place, LogMean] = {}
    own: dict[Place, LogMean] = {}
    for spread in of_cards.values():
        for place, logs in spread.logs.items():
            errors = shared.get((metric.key, place), ())
            own[place] = replace(log_mean(logs), shared=errors, key=(metric.key, place))
            stand_in = spread.standing_in(place, design.spread)
            # The parts of a pooled scatter are one and the same; a shared one is nearly each cell's own.
            pool = spread.card if design.spread == "pooled" else None
            means[place] = replace(log_mean(logs, pooled=stand_in, pool=pool), shared=errors, key=(metric.key, place))
    many = own if design.spread == "shared" else means
    return MetricMeans(metric=metric, means=means, means_of_many=many, spreads=of_cards)


def log_means(table: MetricMeans) -> list[CellLogMean]:
    """Every cell of every card, as a sum over many cells and a choice of this cell alone take it up."""

    def scatter(place: Place, n_cells: int) -> Scatter:
        mean, _ = table.with_stand_in(place, n_cells=n_cells)
        error = None if mean.variance is None else math.sqrt(mean.variance)
        freedom = mean.degrees_of_freedom
        return Scatter(standard_error=error, degrees_of_freedom=freedom, is_pooled=mean.pool is not None)

    return [
        CellLogMean(
            metric=table.metric.key,
            card=place[0],
            scene=place[1],
            resolution=place[2],
            mean=mean.mean,
            among_many=scatter(place, 2),
            alone=scatter(place, 1),
        )
        for place, mean in table.means.items()
    ]


def compare_cells(
    table: MetricMeans, candidate: str, design: ReviewDesign, summaries: Mapping[Place, CellSummary]
) -> list[CellComparison]:
    """Every cell that both cards have, in the order of the plan, with Holm's adjustment over them."""
    found = []
    for scene, resolution in design.cells:
        places = (candidate, scene, resolution), (design.baseline, scene, resolution)
        if places[0] in summaries and places[1] in summaries:
            found.append(_compare(table, places, design, summaries))
    return _with_holm(found)


def _compare(
    table: MetricMeans, places: tuple[Place, Place], design: ReviewDesign, summaries: Mapping[Place, CellSummary]
) -> CellComparison:
    key = table.metric.key
    sides = summaries[places[0]], summaries[places[1]]
    one, other = sides[0].estimates[key], sides[1].estimates[key]
    caveats = _side_caveats(sides, key, design)
    difference = interval = interval_90 = None
    needed = RunsNeeded()
    means = [table.means[place] for place in places if place in table.means]
    if len(means) < 2:
        message = "One of the cards has no value above zero in this cell: there is no ratio."
        caveats.append(metric_caveat(key, code="no-ratio", message=message))
    else:
        difference = mean_difference(*means)
        method = METHODS[design.spread].format(candidate=one.n_runs, baseline=other.n_runs)
        interval, interval_90 = difference.ratio_interval(0.95, method), difference.ratio_interval(0.90, method)
        if difference.standard_error is None and all(mean.variance == 0.0 for mean in means):
            caveats.append(no_scatter(key))
        if difference.standard_error is not None and interval is None:
            caveats.append(too_wide(key))
    levels = levels_at(design.looks, min(one.n_runs, other.n_runs))
    decision = table.decided(difference, design.margin, levels)
    p_value = None if difference is None else difference.p_value
    if p_value is not None and levels is not None:
        p_value = min(1.0, p_value * LEAD_ERROR / levels.lead)
    # A card of another session cannot be given more runs here.
    is_on_bench = not {place[0] for place in places} & design.shelved.keys()
    if difference is not None and decision.verdict == "undecided" and is_on_bench:
        needed = runs_that_decide(table, places, difference, design)
    return CellComparison(
        metric=key,
        candidate=places[0][0],
        baseline=places[1][0],
        scene=places[0][1],
        resolution=places[0][2],
        candidate_value=one.value,
        baseline_value=other.value,
        candidate_n_runs=one.n_runs,
        baseline_n_runs=other.n_runs,
        ratio=None if difference is None else difference.ratio,
        interval_95=interval,
        interval_90=interval_90,
        verdict=decision.verdict,
        real_but_small=decision.real_but_small,
        p_value=p_value,
        holm_p_value=None,
        stands_after_holm=None,
        runs_needed=needed.n_runs,
        at_margin=needed.at_margin,
        caveats=tuple(caveats),
    )


def runs_that_decide(
    table: MetricMeans, places: tuple[Place, Place], difference: Difference, design: ReviewDesign
) -> RunsNeeded:
    """Runs of each card that would decide an open cell: any number, or those of a look where the plan has looks."""
    means = [table.with_stand_in(place)[0] for place in places]
    variances = [mean.variance * mean.n_runs for mean in means if mean.variance is not None]
    if len(variances) < 2 or not sum(variances) > 0.0:
        return RunsNeeded()
    # The pooled scatter can promise more than the runs at hand could keep: at least one more is always needed.
    fewest = min(mean.n_runs for mean in means) + 1
    found = runs_needed(
        difference.value,
        candidate_variance=variances[0],
        baseline_variance=variances[1],
        margin=design.margin,
        looks=design.looks,
        fewest=fewest,
    )
    return found if found.n_runs is None else replace(found, n_runs=max(found.n_runs, fewest))


def _side_caveats(sides: tuple[CellSummary, CellSummary], key: str, design: ReviewDesign) -> list[Caveat]:
    caveats: list[Caveat] = []
    for side in sides:
        label = design.label(side.card)
        for caveat in (*bearing_on(side.caveats, key), *side.estimates[key].caveats):
            caveats.append(replace(caveat, message=f"{label}: {caveat.message}", is_carried=True))
    return caveats


def _with_holm(found: Sequence[CellComparison]) -> list[CellComparison]:
    """Adjust over the cells that have a p value; a claim stands when its adjusted p value is below 5 %.

    *Real, but small* is such a claim, too: of equal cards, two reviews of five would call some cell real without.
    """
    return [
        replace(
            item,
            holm_p_value=p_value,
            stands_after_holm=stands_after(item.verdict, p_value),
            real_but_small=item.real_but_small and p_value is not None and p_value < 0.05,
        )
        for item, p_value in zip(found, holm_of_known([item.p_value for item in found]), strict=True)
    ]


def holm_of_known(p_values: Sequence[float | None]) -> list[float | None]:
    """Holm's adjustment over those that have a p value."""
    adjusted = iter(holm_adjusted([p_value for p_value in p_values if p_value is not None]).tolist())
    return [None if p_value is None else next(adjusted) for p_value in p_values]


def stands_after(verdict: Verdict, adjusted: float | None) -> bool | None:
    """Whether an *ahead* or *behind* can be claimed among many; ``None`` for the other verdicts."""
    return None if adjusted is None or verdict not in {"ahead", "behind"} else adjusted < 0.05
