"""One card in one cell, and two cards in one cell."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, TypeAlias

from frametime.caveats import Caveat
from frametime.metrics.metric import Interval

Verdict: TypeAlias = Literal["ahead", "behind", "tied", "undecided"]


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """A metric over the runs of one set.

    ``value`` is the geometric mean over runs where all values are positive, else the arithmetic mean (a caveat
    says so). ``standard_deviation_log`` is that of the natural logs. ``run_values`` are in the order of
    ``CellSummary.run_names``, ``None`` where a run has no value.
    """

    key: str
    value: float | None
    interval: Interval | None
    n_runs: int
    standard_deviation_log: float | None
    run_values: tuple[float | None, ...]
    caveats: tuple[Caveat, ...]


@dataclass(frozen=True, kw_only=True)
class CellSummary:
    """One card in one cell: the runs that count, and every metric of the review over them."""

    card: str
    scene: str
    resolution: str
    run_names: tuple[str, ...]
    estimates: Mapping[str, Estimate]
    caveats: tuple[Caveat, ...]


@dataclass(frozen=True, kw_only=True)
class CellComparison:
    """Candidate against baseline in one cell.

    Attributes
    ----------
    ratio : float or None
        Candidate over baseline.
    interval_95, interval_90 : Interval or None
        Of the ratio; the 90 % interval is the one that decides *tied*.
    verdict : {'ahead', 'behind', 'tied', 'undecided'}
        By the rule of the review at its margin.
    real_but_small : bool
        *tied*, and yet the 95 % interval leaves out 1.
    p_value, holm_p_value : float or None
        Two-sided, that the ratio is 1; adjusted by Holm over the cells of this candidate and metric.
    stands_after_holm : bool or None
        Whether an *ahead* or *behind* can be claimed for this single cell; ``None`` for the other verdicts.
    runs_needed : int or None
        *undecided*: runs of each card in this cell that would probably (in 4 of 5 repeats) decide it.
    at_margin : bool
        *undecided*, and no number of runs up to the limit would decide: the ratio lies at the margin.
    """

    metric: str
    candidate: str
    baseline: str
    scene: str
    resolution: str
    candidate_value: float | None
    baseline_value: float | None
    candidate_n_runs: int
    baseline_n_runs: int
    ratio: float | None
    interval_95: Interval | None
    interval_90: Interval | None
    verdict: Verdict
    real_but_small: bool
    p_value: float | None
    holm_p_value: float | None
    stands_after_holm: bool | None
    runs_needed: int | None
    at_margin: bool
    caveats: tuple[Caveat, ...]
