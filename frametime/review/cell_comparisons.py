"""Candidate against baseline in every cell: the verdict, and how many runs would reach one.

Differences are in natural logs: one of ``log(1.03)`` is a ratio of 1.03.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import Final, NamedTuple

import numpy as np

from frametime.lab.looks import LEAD_ERROR, PLAIN, LookLevels, levels_at
from frametime.metrics.metric import Metric
from frametime.review.card_repeatability import CardSpread
from frametime.review.design import MetricEntry, Place, ReviewDesign, named
from frametime.review.result_tables import CellComparison, CellLogMean, CellSummary, Scatter, Verdict
from frametime.review.run_set import RunSet
from frametime.review.sentence import caveat_of, method
from frametime.statistics import differences
from frametime.statistics.distributions import chi_over_its_mean_square, t_quantile

MOST_RUNS: Final = 30
"""More runs than this of one cell are not proposed; beyond it a cell is *at the margin*. Common practice, no source."""
CHANCE_TO_DECIDE: Final = 0.8
"""Chance with which the proposed number of runs decides. Common practice, no source."""
LEAST_CHANCE: Final = 0.2
"""A cell that the last look would decide with a smaller chance is left. Our own choice: of 83 cells that were left in a
simulation, 78 were open at the last look."""


class Decision(NamedTuple):
    """A verdict, and whether a difference that is smaller than the margin is nevertheless real."""

    verdict: Verdict
    real_but_small: bool = False


class RunsNeeded(NamedTuple):
    """Runs of each card that would probably decide; ``n_runs`` is ``None`` where none up to the limit would."""

    n_runs: int | None = None
    at_margin: bool = False


class MetricMeans:
    """Mean logs of one metric in every cell of every card, and what each card's runs tell of scatter.

    ``means`` are for one cell, with the scatter that the review's rule gives it. ``means_of_many`` are for sums over
    cells: many cells together know their scatter by themselves, and what they share would be counted over again (in
    the simulation of the tests 92 % in place of 95 %). Both hold the errors that cells share.
    """

    def __init__(
        self,
        metric: MetricEntry | Metric,
        design: ReviewDesign,
        sets: Collection[RunSet],
        shared: Mapping[tuple[str, Place], tuple[differences.SharedError, ...]] = MappingProxyType({}),
    ) -> None:
        self.metric, self.design = metric, design
        n_tests = len(design.cards) * len(design.metrics)
        self.spreads = {card.key: CardSpread(card.key, metric, sets, n_tests=n_tests) for card in design.cards}
        self.means: dict[Place, differences.LogMean] = {}
        own: dict[Place, differences.LogMean] = {}
        for spread in self.spreads.values():
            # The parts of a pooled scatter are one and the same; a shared one is nearly each cell's own.
            pool = spread.card if design.spread == "pooled" else None
            for place, logs in spread.logs.items():
                key = metric.key, place
                own[place] = replace(differences.log_mean(logs), shared=shared.get(key, ()), key=key)
                stand_in = spread.standing_in(place, design.spread)
                self.means[place] = own[place] if stand_in is None else own[place].with_scatter(stand_in, pool)
        self.means_of_many = own if design.spread == "shared" else self.means

    @property
    def sign(self) -> float:
        """Direction of the advantage: ``sign * log ratio`` is it, +1 where more is better, -1 where less is."""
        return -1.0 if self.metric.better == "lower" else 1.0

    def decided(self, difference: differences.Difference | None, levels: LookLevels | None = PLAIN) -> Decision:
        """The verdict on a difference of logs, whichever way is better; *undecided* without one, or before a look."""
        if difference is None or levels is None:
            return Decision(verdict="undecided")
        advantage = replace(difference, value=self.sign * difference.value)
        return decide(advantage, margin=self.design.margin, levels=levels)

    def with_stand_in(self, place: Place, *, n_cells: int = 1) -> differences.LogMean:
        """The mean of a cell, alone or as one of several; where it has a single run, the card's scatter stands in."""
        mean = (self.means if n_cells == 1 else self.means_of_many)[place]
        pooled = self.spreads[place[0]].pooled
        if mean.variance is not None or pooled is None:
            return mean
        return mean.with_scatter(pooled, place[0])


def log_means(table: MetricMeans) -> list[CellLogMean]:
    """Every cell of every card, as a sum over many cells and a choice of this cell alone take it up."""

    def scatter(place: Place, n_cells: int) -> Scatter:
        mean = table.with_stand_in(place, n_cells=n_cells)
        return Scatter(
            standard_error=None if mean.variance is None else math.sqrt(mean.variance),
            degrees_of_freedom=mean.degrees_of_freedom,
            is_pooled=mean.pool is not None,
        )

    return [
        CellLogMean(
            metric=table.metric.key,
            **named(place),
            mean=mean.mean,
            among_many=scatter(place, 2),
            alone=scatter(place, 1),
        )
        for place, mean in table.means.items()
    ]


def compare_cells(table: MetricMeans, candidate: str, summaries: Mapping[Place, CellSummary]) -> list[CellComparison]:
    """Every cell that both cards have, in the order of the plan, with Holm's adjustment over them.

    A claim stands when its adjusted p value is below 5 %. *Real, but small* is such a claim, too: of equal cards, two
    reviews of five would call some cell real without.
    """
    both = [((candidate, *cell), (table.design.baseline, *cell)) for cell in table.design.cells]
    found = [_compare(table, places, summaries) for places in both if summaries.keys() >= set(places)]
    return [
        replace(
            item,
            holm_p_value=p_value,
            stands_after_holm=stands_after(item.verdict, p_value),
            real_but_small=item.real_but_small and p_value is not None and p_value < 0.05,
        )
        for item, p_value in zip(found, holm_of_known([item.p_value for item in found]), strict=True)
    ]


def _compare(table: MetricMeans, places: tuple[Place, Place], summaries: Mapping[Place, CellSummary]) -> CellComparison:
    key, design = table.metric.key, table.design
    one, other = (summaries[place].estimates[key] for place in places)
    caveats = [
        replace(caveat, message=f"{design.label(place[0])}: {caveat.message}", is_carried=True)
        for place in places
        for caveat in (*summaries[place].caveats, *summaries[place].estimates[key].caveats)
        if not caveat.metrics or key in caveat.metrics
    ]
    difference = interval = interval_90 = None
    needed = RunsNeeded()
    means = [table.means[place] for place in places if place in table.means]
    if len(means) < 2:
        caveats.append(caveat_of("no-ratio", key))
    else:
        difference = differences.mean_difference(*means)
        how = method(f"cell-{design.spread}", candidate=one.n_runs, baseline=other.n_runs)
        interval, interval_90 = difference.ratio_interval(0.95, how), difference.ratio_interval(0.90, how)
        if difference.standard_error is None and all(mean.variance == 0.0 for mean in means):
            caveats.append(caveat_of("no-scatter", key))
        if difference.standard_error is not None and interval is None:
            caveats.append(caveat_of("too-wide", key))
    levels = levels_at(design.looks, min(one.n_runs, other.n_runs))
    decision = table.decided(difference, levels)
    p_value = difference and difference.p_value
    if p_value is not None and levels is not None:
        p_value = min(1.0, p_value * LEAD_ERROR / levels.lead)
    # A card of another session cannot be given more runs here, and a flagged run is repeated before more are made.
    is_open = design.shelved.keys().isdisjoint(place[0] for place in places)
    is_open = is_open and all(caveat.code != "run-to-repeat" for caveat in caveats)
    if difference is not None and decision.verdict == "undecided" and is_open:
        needed = runs_that_decide(table, places, difference)
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
        ratio=difference and difference.ratio,
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


def runs_that_decide(table: MetricMeans, places: tuple[Place, Place], difference: differences.Difference) -> RunsNeeded:
    """Runs of each card that would decide an open cell: any number, or those of a look where the plan has looks."""
    means = [table.with_stand_in(place) for place in places]
    variances = [mean.variance * mean.n_runs for mean in means if mean.variance is not None]
    if len(variances) < 2 or not sum(variances) > 0.0:
        return RunsNeeded()
    return runs_needed(
        difference.value,
        candidate_variance=variances[0],
        baseline_variance=variances[1],
        margin=table.design.margin,
        looks=table.design.looks,
        # The pooled scatter can promise more than the runs at hand could keep: at least one more is always needed.
        fewest=min(mean.n_runs for mean in means) + 1,
    )


def holm_of_known(p_values: Sequence[float | None]) -> list[float | None]:
    """Holm's adjustment over those that have a p value."""
    adjusted = iter(differences.holm_adjusted([p_value for p_value in p_values if p_value is not None]).tolist())
    return [None if p_value is None else next(adjusted) for p_value in p_values]


def stands_after(verdict: Verdict, adjusted: float | None) -> bool | None:
    """Whether an *ahead* or *behind* can be claimed among many; ``None`` for the other verdicts."""
    return None if adjusted is None or verdict not in {"ahead", "behind"} else adjusted < 0.05


def decide(difference: differences.Difference, *, margin: float, levels: LookLevels = PLAIN) -> Decision:
    """The verdict on an advantage: a difference of logs in which more is better.

    Where a verdict is read at several looks, ``levels`` of the look take the place of 5 % and of 2.5 % a side.

    **tied**: the 90 % interval lies inside ``1/(1+margin)`` to ``1+margin``, which is two one-sided tests at 5 %.
    **ahead**: the 95 % interval lies above 1 and the estimate beyond the margin; **behind**: likewise below.
    **undecided**: anything else.

    References
    ----------
    D. J. Schuirmann, Journal of Pharmacokinetics and Biopharmaceutics 15, 657-680, 1987 (two one-sided tests).

    Examples
    --------
    >>> decide(differences.Difference(value=0.05, standard_error=0.01, degrees_of_freedom=10), margin=0.03).verdict
    'ahead'
    >>> decide(differences.Difference(value=0.01, standard_error=0.002, degrees_of_freedom=10), margin=0.03)
    Decision(verdict='tied', real_but_small=True)
    """
    if not margin > 0.0:
        raise ValueError(f"margin must be positive, got {margin!r}")
    inner, outer = difference.bounds(1.0 - 2.0 * levels.tie), difference.bounds(1.0 - 2.0 * levels.lead)
    if inner is None or outer is None:
        return Decision(verdict="undecided")
    edge = math.log1p(margin)
    if -edge < inner[0] and inner[1] < edge:
        return Decision(verdict="tied", real_but_small=outer[0] > 0.0 or outer[1] < 0.0)
    if outer[0] > 0.0 and difference.value > edge:
        return Decision(verdict="ahead")
    return Decision(verdict="behind" if outer[1] < 0.0 and difference.value < -edge else "undecided")


def runs_needed(
    advantage: float,
    *,
    candidate_variance: float,
    baseline_variance: float,
    margin: float,
    looks: tuple[int, ...] = (),
    fewest: int = 2,
) -> RunsNeeded:
    """Runs of each card that would decide with probability `CHANCE_TO_DECIDE`, were the estimates the truth.

    Parameters
    ----------
    advantage : float
        Estimated difference of logs.
    candidate_variance, baseline_variance : float
        Of the logs of single runs.
    looks : tuple of int
        Where a verdict is read at looks, only their numbers of runs count, from ``fewest`` on; the last of them where
        the chance is smaller at all. None where even that would decide with a chance below `LEAST_CHANCE`.
    fewest : int

    Examples
    --------
    >>> runs_needed(0.06, candidate_variance=0.02**2, baseline_variance=0.02**2, margin=0.03)
    RunsNeeded(n_runs=4, at_margin=False)
    >>> runs_needed(0.0296, candidate_variance=0.02**2, baseline_variance=0.02**2, margin=0.03)
    RunsNeeded(n_runs=None, at_margin=True)
    """
    total = candidate_variance + baseline_variance
    if not total > 0.0:
        raise ValueError(f"variances must not both be zero, got {candidate_variance!r} and {baseline_variance!r}")
    per_run_df = differences.satterthwaite_freedom([(candidate_variance, 1.0), (baseline_variance, 1.0)])

    def chance(n_runs: int) -> float:
        error, freedom = math.sqrt(total / n_runs), (n_runs - 1) * per_run_df
        return chance_to_decide(advantage, error, freedom, margin=margin, levels=levels_at(looks, n_runs) or PLAIN)

    if looks:
        later = [n_runs for n_runs in looks if n_runs >= fewest]
        if not later or chance(later[-1]) < LEAST_CHANCE:
            return RunsNeeded(at_margin=True)
        return RunsNeeded(n_runs=next((n_runs for n_runs in later if chance(n_runs) >= CHANCE_TO_DECIDE), later[-1]))
    if chance(MOST_RUNS) < CHANCE_TO_DECIDE:
        return RunsNeeded(at_margin=True)
    # The chance grows with the number of runs.
    return RunsNeeded(n_runs=max(fewest, 2 + bisect_left(range(2, MOST_RUNS), CHANCE_TO_DECIDE, key=chance)))


def chance_to_decide(
    advantage: float, error: float, freedom: float, *, margin: float, levels: LookLevels = PLAIN
) -> float:
    """Probability that runs yet to be made come out as the verdict that ``advantage`` deserves.

    ``error`` is the true standard error, to be found with ``freedom`` degrees of freedom. With ``e`` the margin and
    ``d`` the difference in logs, ``s`` the standard error as it will be found: a tie comes
    out with ``P(|d'| + t_95 s < e)``, a lead with ``P(d' > max(t_97.5 s, e))``, where ``d'`` is normal about ``|d|``
    and ``s`` follows its own distribution (that of chi), over which the mean is taken at 64 of its quantiles.

    Examples
    --------
    >>> round(chance_to_decide(0.06, 0.015, 10, margin=0.03), 2)
    0.95
    """
    from scipy import special

    edge, size = math.log1p(margin), abs(advantage)
    found_error = error * chi_over_its_mean_square(freedom)
    inner = t_quantile(1.0 - levels.tie, freedom) * found_error
    outer = np.maximum(t_quantile(1.0 - levels.lead, freedom) * found_error, edge)
    tie = special.ndtr((edge - size - inner) / error) - special.ndtr((inner - edge - size) / error)
    return float(max(np.mean(np.maximum(tie, 0.0)), np.mean(special.ndtr((size - outer) / error))))
