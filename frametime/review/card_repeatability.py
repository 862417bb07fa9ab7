"""How well the runs of a card repeat, over its cells and in each, and what the outlier tests of ISO 5725-2 say."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from frametime.caveats import Caveat
from frametime.metrics.drift.trend import common_trend, trend
from frametime.metrics.metric import Metric
from frametime.review.design import MetricEntry, Place, SpreadRule
from frametime.review.result import CochranOutcome, GrubbsOutcome, Repeatability
from frametime.review.run_set import RunSet
from frametime.review.sentence import caveat_of
from frametime.statistics import repeatability, shared_scatter


def least_distance(margin: float) -> float:
    """Distance, in logs, below which a run is never flagged: a third of the margin cannot move a verdict.

    Common practice, no source.
    """
    return math.log1p(margin / 3.0)


class CardSpread:
    """One card and metric: the sets that have logs of it, these logs, and what its runs tell of how runs scatter.

    ``pooled`` is over the cells ``kept``, without those that Cochran's test puts ``aside``, at 1 % over ``n_tests``
    cards and metrics. ``shared`` is each cell's own scatter drawn toward that of all; it leaves out cells whose runs
    agree to the last digit.
    """

    def __init__(self, card: str, metric: MetricEntry | Metric, sets: Iterable[RunSet], *, n_tests: int = 1) -> None:
        own = {run_set.place: run_set for run_set in sets if run_set.card == card}
        self.card, self.metric, self.label, self.n_tests = card, metric.key, metric.label, n_tests
        self.logs = {place: logs for place, of in own.items() if (logs := of.log_values(metric.key)) is not None}
        self.sets = {place: own[place] for place in self.logs}
        self.kept, self.aside = repeatability.poolable(self.logs, n_tests=n_tests)
        self.pooled = repeatability.pooled_spread([self.logs[place] for place in self.kept])
        self.shared = _shared(self.logs)

    @property
    def whole(self) -> list[RunSet]:
        """The sets in which every run has a value."""
        return [run_set for place, run_set in self.sets.items() if self.logs[place].size == len(run_set.runs)]

    def standing_in(self, place: Place, rule: SpreadRule) -> repeatability.PooledSpread | None:
        """The scatter that stands in for a cell's own by the rule of the review; ``None`` where it keeps its own."""
        if rule == "shared":
            return self.shared.get(place)
        return None if rule == "own" or place in self.aside else self.pooled


def _that_scatter(logs: Mapping[Place, NDArray[np.float64]]) -> list[Place]:
    """Cells whose runs do not all agree to the last digit."""
    return [place for place, values in logs.items() if values.size > 1 and np.ptp(values) > 0.0]


def _shared(logs: Mapping[Place, NDArray[np.float64]]) -> dict[Place, repeatability.PooledSpread]:
    """Each cell's scatter drawn toward that of all; from two cells on."""
    places = _that_scatter(logs)
    if len(places) < 2:
        return {}
    variances = np.array([repeatability.variance_of(logs[place]) for place in places])
    freedom = np.array([logs[place].size - 1.0 for place in places])
    found = shared_scatter.shared_variances(variances, freedom, shared_scatter.variance_prior(variances, freedom))
    return {
        place: repeatability.PooledSpread(variance=float(variance), degrees_of_freedom=float(df), n_sets=len(places))
        for place, variance, df in zip(places, *found, strict=True)
    }


def laws_of_others(logs: Mapping[Place, NDArray[np.float64]]) -> dict[Place, shared_scatter.ScatterLaw]:
    """For each cell of each card how others scatter: of the card, or of all cards together that have fewer than three.

    Nothing where those are fewer than three, too.
    """
    places = _that_scatter(logs)
    cards = Counter(place[0] for place in places)
    groups = {place: place[0] if cards[place[0]] > 2 else "" for place in places}
    sizes = Counter(groups.values())
    used = [place for place in places if sizes[groups[place]] > 2]
    laws = shared_scatter.scatter_laws([logs[place] for place in used], list(map(groups.get, used))) if used else []
    return dict(zip(used, laws, strict=True))


def repeatability_of(spread: CardSpread, *, margin: float) -> Repeatability:
    """Repeatability of one card and metric, with Cochran's outcome and a trend over all cells."""
    pooled, metric = spread.pooled, spread.metric
    caveats = [caveat_of("no-repeats", metric)] if pooled is None else []
    ordered = [spread.logs[run_set.place] for run_set in spread.whole]
    found = common_trend(ordered, floor=least_distance(margin))
    if found is not None:
        words = {"way": "rises" if found.change > 0 else "falls", "size": abs(in_percent(found.change))}
        words |= {"n_cells": len(ordered), "label": spread.label, "p": found.p_value}
        caveats.append(caveat_of("common-trend", metric, **words))
    test, cochran = repeatability.cochran_test(list(spread.logs.values()), n_tests=spread.n_tests), None
    if test is not None:
        _, scene, resolution = list(spread.logs)[test.at]
        cochran = CochranOutcome(scene=scene, resolution=resolution, **_told(test))
    return Repeatability(
        card=spread.card,
        metric=metric,
        s_r_pct=None if pooled is None else 100.0 * pooled.standard_deviation,
        limit_pct=None if pooled is None else 100.0 * repeatability.REPEATABILITY_FACTOR * pooled.standard_deviation,
        degrees_of_freedom=0 if pooled is None else round(pooled.degrees_of_freedom),
        n_cells=0 if pooled is None else pooled.n_sets,
        cochran=cochran,
        grubbs=suspect_runs(spread),
        caveats=tuple(caveats),
    )


def _told(test: repeatability.OutlierTest) -> dict[str, Any]:
    """A test as the result tells it."""
    return {name: getattr(test, name) for name in ("statistic", "critical_5pct", "critical_1pct", "outcome")}


def sets_that_can_show_levels(spreads: Iterable[CardSpread]) -> int:
    """Over how many sets and metrics of the review two levels are looked for."""
    return sum(logs.size >= repeatability.FEWEST_RUNS for spread in spreads for logs in spread.logs.values())


def set_caveats(run_set: RunSet, spread: CardSpread, *, margin: float, n_tests: int) -> list[Caveat]:
    """Two levels among the runs of a set, a trend over them, a set that scatters: told before they are averaged.

    ``n_tests`` is that of `sets_that_can_show_levels`.
    """
    metric, logs, floor = spread.metric, spread.logs.get(run_set.place), least_distance(margin)
    caveats = [caveat_of("scattered-set", metric)] if run_set.place in spread.aside else []
    if logs is None or logs.size < len(run_set.runs):
        return caveats
    levels = repeatability.two_levels(logs, floor=floor, n_tests=n_tests)
    if levels is not None:
        lower, upper = (", ".join(run_set.runs[at].run for at in level) for level in (levels.lower, levels.upper))
        words = {"gap": in_percent(levels.gap), "lower": lower, "upper": upper, "p": levels.p_value}
        caveats.append(caveat_of("several-levels", metric, **words))
    moving = trend(logs, floor=floor)
    if moving is not None:
        words = {"way": "rise" if moving.change > 0 else "fall", "size": abs(in_percent(moving.change))}
        words |= {"order": "time" if run_set.order == "time" else "file names, for lack of times", "p": moving.p_value}
        caveats.append(caveat_of("run-trend", metric, **words))
    return caveats


def in_percent(log_difference: float) -> float:
    """A difference of logs as a change in percent."""
    return 100.0 * math.expm1(log_difference)


def grubbs_of(run_set: RunSet, metric: str) -> GrubbsOutcome | None:
    """Grubbs's test on the logs of a metric over one set; ``None`` where it has fewer than three, or no scatter."""
    logs = run_set.log_values(metric)
    if logs is None or (test := repeatability.grubbs_test(logs)) is None:
        return None
    return GrubbsOutcome(
        run_name=[run.name for run in run_set.runs if run.value(metric) is not None][test.at],
        scene=run_set.scene,
        resolution=run_set.resolution,
        n_runs=logs.size,
        **_told(test),
    )


def suspect_runs(spread: CardSpread) -> tuple[GrubbsOutcome, ...]:
    """Grubbs's outcome for the cells that Cochran's test calls outliers, in the order found, and for the straggler.

    The standard asks it of the cells that Cochran's test suspects, and no others: at 5 % each, it would name a run in
    two of forty good cells. Cells of fewer than three runs have none.
    """
    test = repeatability.cochran_test([spread.logs[place] for place in spread.kept], n_tests=spread.n_tests)
    straggler = [] if test is None or test.outcome == "ok" else [spread.kept[test.at]]
    found = (grubbs_of(spread.sets[place], spread.metric) for place in (*spread.aside, *straggler))
    return tuple(outcome for outcome in found if outcome is not None)
