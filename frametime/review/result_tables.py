"""One card in one cell, two cards in one cell, and cards over the many cells of a cut."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, TypeAlias, get_args

from frametime.caveats import Caveat
from frametime.statistics.differences import Interval
from frametime.words import counted, joined

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


@dataclass(frozen=True, kw_only=True)
class VerdictCounts:
    """In how many cells the candidate is ahead, behind, tied, undecided."""

    ahead: int
    behind: int
    tied: int
    undecided: int

    @property
    def total(self) -> int:
        """All cells."""
        return self.ahead + self.behind + self.tied + self.undecided

    @property
    def in_words(self) -> str:
        """Verdicts without a cell are left out.

        Examples
        --------
        >>> VerdictCounts(ahead=9, behind=0, tied=2, undecided=1).in_words
        'ahead in 9, tied in 2 and undecided in 1 of 12 cells'
        """
        parts = [f"{word} in {number}" for word in get_args(Verdict) if (number := getattr(self, word))]
        return f"{joined(parts)} of {counted(self.total, 'cell')}" if parts else "no cell with runs on both sides"


@dataclass(frozen=True, kw_only=True)
class MissingCell:
    """A cell that is left out of a comparison, and the cards that have no usable run in it."""

    scene: str
    resolution: str
    cards: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class OverallComparison:
    """Candidate against baseline over the cells of one cut: geometric mean of the paired cell ratios.

    Attributes
    ----------
    interval_these_scenes : Interval or None
        Run noise only: what repeating the same scenes would give.
    interval_scenes_like_these : Interval or None
        Scenes as a sample: what other scenes of the same kind would give.
    verdict : Verdict
        From *these scenes*.
    verdict_scenes_like_these : Verdict
        From *scenes like these*; *undecided* where there is no such interval.
    real_but_small : bool
        *tied* over these scenes, and yet the 95 % interval leaves out 1.
    n_cells, n_scenes : int
        Cells and scenes with runs on both sides.
    missing : tuple of MissingCell
        Cells of the cut that are left out.
    sentence : str
        The comparison in plain words.
    """

    cut: str
    metric: str
    candidate: str
    baseline: str
    ratio: float | None
    interval_these_scenes: Interval | None
    interval_scenes_like_these: Interval | None
    n_cells: int
    n_scenes: int
    counts: VerdictCounts
    missing: tuple[MissingCell, ...]
    verdict: Verdict
    verdict_scenes_like_these: Verdict
    real_but_small: bool
    sentence: str
    caveats: tuple[Caveat, ...]


@dataclass(frozen=True, kw_only=True)
class PairOrder:
    """Two cards over one cut: ratio card over other, interval of *these scenes*, verdict for ``card``."""

    cut: str
    metric: str
    card: str
    other: str
    ratio: float | None
    interval: Interval | None
    verdict: Verdict
    stands_after_holm: bool | None
    n_cells: int


@dataclass(frozen=True, kw_only=True)
class Standing:
    """A card's place in one cut, with ties as ties.

    Attributes
    ----------
    best_place, worst_place : int
        Places that the intervals allow, from 1: one more than the number of cards shown to be better, and the
        number of cards not shown to be worse.
    place : str
        ``"1"``, or ``"1 to 2"`` where the intervals do not carry an order.
    not_told_apart_from : tuple of str
        Cards that are neither shown better nor shown worse.
    ratio_to_baseline : float or None
        1 for the baseline itself, without interval.
    interval : Interval or None
        Of the ratio, *these scenes*.
    mean_value : float or None
        Geometric mean over the cells that every placed card has, in the metric's unit.
    n_cells : int
        Cells in ``mean_value``.
    """

    cut: str
    metric: str
    card: str
    best_place: int
    worst_place: int
    place: str
    not_told_apart_from: tuple[str, ...]
    ratio_to_baseline: float | None
    interval: Interval | None
    mean_value: float | None
    n_cells: int
    caveats: tuple[Caveat, ...]

    @property
    def mean_interval(self) -> Interval | None:
        """The interval of the ratio to the baseline, carried over to the mean."""
        if self.interval is None or self.mean_value is None or not self.ratio_to_baseline:
            return None
        return self.interval.scaled(self.mean_value / self.ratio_to_baseline)


@dataclass(frozen=True, kw_only=True)
class ValueRow:
    """Speed for the money, over one cut, by the headline metric.

    Attributes
    ----------
    fps_per_money, money_per_fps : float or None
        Mean rate over price, and price over mean rate (cost per frame a second).
    value_ratio : float or None
        ``fps_per_money`` over that of the baseline; interval of *these scenes*.
    break_even_price : float or None
        Price of this card at which its value equals the baseline's at the baseline's price.
    baseline_break_even_price : float or None
        Price of the baseline at which its value equals this card's at this card's price.
    """

    cut: str
    metric: str
    card: str
    price: float | None
    currency: str | None
    mean_value: float | None
    fps_per_money: float | None
    money_per_fps: float | None
    value_ratio: float | None
    value_ratio_interval: Interval | None
    break_even_price: float | None
    break_even_interval: Interval | None
    baseline_break_even_price: float | None
    baseline_break_even_interval: Interval | None
    caveats: tuple[Caveat, ...]


@dataclass(frozen=True, kw_only=True)
class EfficiencyRow:
    """Energy and running cost over one cut; only cards with sensor logs have a row.

    ``average_power_w`` is the mean over cells, ``energy_per_frame_j`` and ``frames_per_joule`` are geometric
    means over cells. ``running_cost`` is for ``years`` at the plan's tariff and hours a day;
    ``total_cost`` adds the price. Intervals are of *these scenes*; those of cost come from the scatter of power, with
    price and tariff as exact.
    """

    cut: str
    card: str
    n_cells: int
    average_power_w: float | None
    average_power_interval: Interval | None
    energy_per_frame_j: float | None
    frames_per_joule: float | None
    efficiency_ratio: float | None
    efficiency_interval: Interval | None
    years: float | None
    running_cost: float | None
    running_cost_interval: Interval | None
    total_cost: float | None
    total_cost_interval: Interval | None
    currency: str | None
    caveats: tuple[Caveat, ...]
