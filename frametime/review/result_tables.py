"""One card in one cell, two cards in one cell, and cards over the many cells of a cut."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias, get_args

from frametime.caveats import Caveat
from frametime.review.design import AtPlace
from frametime.statistics.interval import Interval
from frametime.words import counted, joined

Verdict: TypeAlias = Literal["ahead", "behind", "tied", "undecided"]
CellsKind: TypeAlias = Literal["speed", "power"]


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
class CellSummary(AtPlace):
    """One card in one cell: the runs that count, and every metric of the review over them."""

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
        Two-sided, that the ratio is 1; where the plan names looks, below 0.05 where the bound of the look is passed.
        Then adjusted by Holm over the cells of this candidate and metric.
    stands_after_holm : bool or None
        Whether an *ahead* or *behind* can be claimed for this single cell; ``None`` for the other verdicts.
    runs_needed : int or None
        *undecided*: runs of each card in this cell that would probably (in 4 of 5 repeats) decide it; where the plan
        names looks, those of such a look, or of the last one. ``None`` where a flagged run is to be repeated first.
    at_margin : bool
        *undecided*, and no number of runs up to the limit, or to the last look, would decide: the ratio lies at the
        margin.
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

    @classmethod
    def of(cls, verdicts: Sequence[Verdict]) -> VerdictCounts:
        """How often each verdict occurs."""
        return cls(**{word: verdicts.count(word) for word in get_args(Verdict)})

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
class Scatter:
    """What is known of how far a mean of logs may be off.

    ``standard_error`` is ``None``, and ``degrees_of_freedom`` 0, where nothing tells. ``is_pooled`` where it comes from
    the scatter of all the card's cells: the errors of such cells are one and the same.
    """

    standard_error: float | None
    degrees_of_freedom: float
    is_pooled: bool


@dataclass(frozen=True, kw_only=True)
class CellLogMean(AtPlace):
    """What a choice of cells is put together from: one card in one cell, the mean log of a metric over its runs.

    ``among_many`` is its scatter in a sum over several cells, ``alone`` where the choice is this cell only.
    """

    metric: str
    mean: float
    among_many: Scatter
    alone: Scatter


@dataclass(frozen=True, kw_only=True)
class Answers:
    """What a reader asks first, each in one sentence, over the cells of one cut.

    Attributes
    ----------
    first : str
        Who is fastest, and by how much.
    price : str
        Who gives most speed for the money.
    power : str
        Who makes most frames of a joule.
    uncertain : str
        What the runs leave open, and what is missing.
    """

    first: str
    price: str
    power: str
    uncertain: str


@dataclass(frozen=True, kw_only=True)
class MissingCell:
    """A cell that is left out of a table, the cards that lack a value in it, and the metrics without one there.

    Where the headline metric is among ``metrics``, these cards have no usable run in the cell.
    """

    scene: str
    resolution: str
    cards: tuple[str, ...]
    metrics: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class TableCells:
    """The one set of cells on which everything of a cut rests that stands side by side.

    Attributes
    ----------
    kind : {'speed', 'power'}
        ``speed``: standings, pairs, overall comparisons, value. ``power``: the rows of efficiency, which take from
        these cells those in which every card with sensor logs has power.
    cards : tuple of str
        Cards of the table, in the order of the plan.
    cells : tuple of (scene, resolution)
        Cells in which every card of the table has a usable value, in the order of the plan.
    apart : tuple of str
        Cards that have too few of the cells: each stands apart, compared with the baseline alone.
    apart_cells : Mapping of str to tuple of (scene, resolution)
        Of each card that stands apart, the cells that it shares with the baseline; its own where it shares none;
        empty without a usable run.
    left_out : tuple of MissingCell
        Cells of the cut that are not in ``cells``, with the cards of the table that lack them.
    n_planned : int
        Cells of the cut.
    """

    cut: str
    kind: CellsKind
    cards: tuple[str, ...]
    cells: tuple[tuple[str, str], ...]
    apart: tuple[str, ...]
    apart_cells: Mapping[str, tuple[tuple[str, str], ...]]
    left_out: tuple[MissingCell, ...]
    n_planned: int

    def of(self, card: str) -> tuple[tuple[str, str], ...]:
        """The cells on which a card's numbers rest; none for a card that the table does not know."""
        return self.cells if card in self.cards else self.apart_cells.get(card, ())


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
        Cells of the table, or those that a card that stands apart shares with the baseline, and their scenes.
    counts : VerdictCounts
        Over the same cells.
    n_named : int
        Of the cells ahead or behind, those that can be named after Holm's adjustment.
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
    n_named: int
    verdict: Verdict
    verdict_scenes_like_these: Verdict
    real_but_small: bool
    sentence: str
    caveats: tuple[Caveat, ...]


@dataclass(frozen=True, kw_only=True)
class OfCard:
    """What belongs to a card in a cut, by a metric."""

    cut: str
    metric: str
    card: str


@dataclass(frozen=True, kw_only=True)
class PairOrder(OfCard):
    """Two cards of the table of a cut: ratio card over other, interval of *these scenes*, verdict for ``card``."""

    other: str
    ratio: float | None
    interval: Interval | None
    verdict: Verdict
    stands_after_holm: bool | None
    n_cells: int


@dataclass(frozen=True, kw_only=True)
class Standing(OfCard):
    """A card's place in one cut, with ties as ties.

    Attributes
    ----------
    best_place, worst_place : int or None
        Places that the intervals allow, from 1: one more than the number of cards shown to be better, and the
        number of cards of the table not shown to be worse. ``None`` for a card that stands apart.
    place : str
        ``"1"``, or ``"1 to 2"`` where the intervals do not carry an order, or ``"apart"``.
    not_told_apart_from : tuple of str
        Cards that are neither shown better nor shown worse.
    tied_with : tuple of str
        The same cards where every pair of them and of this card is *tied*; else empty.
    ratio_to_baseline : float or None
        ``mean_value`` over ``baseline_mean_value``; 1 for the baseline itself, without interval.
    interval : Interval or None
        Of the ratio, *these scenes*.
    mean_value, baseline_mean_value : float or None
        Geometric means over the same cells, in the metric's unit.
    n_cells : int
        Cells in both means: those of the table, or those that a card that stands apart shares with the baseline.
    stands_apart : bool
        The card has too few cells for the table: it has no place, and its numbers rest on other cells.
    """

    best_place: int | None
    worst_place: int | None
    place: str
    not_told_apart_from: tuple[str, ...]
    tied_with: tuple[str, ...]
    ratio_to_baseline: float | None
    interval: Interval | None
    mean_value: float | None
    baseline_mean_value: float | None
    n_cells: int
    stands_apart: bool
    caveats: tuple[Caveat, ...]

    @property
    def mean_interval(self) -> Interval | None:
        """The interval of the ratio to the baseline, carried over to the mean."""
        if self.interval is None or self.mean_value is None or not self.ratio_to_baseline:
            return None
        return self.interval.scaled(self.mean_value / self.ratio_to_baseline)


@dataclass(frozen=True, kw_only=True)
class ValueRow(OfCard):
    """Speed for the money, over one cut, by the headline metric, over the cells of the card's standing.

    Attributes
    ----------
    mean_value, baseline_mean_value : float or None
        As in the standing.
    fps_per_money, money_per_fps : float or None
        Mean rate over price, and price over mean rate (cost per frame a second).
    value_ratio : float or None
        ``fps_per_money`` over that of the baseline in the same cells (``baseline_mean_value`` over its price);
        interval of *these scenes*.
    break_even_price : float or None
        Price of this card at which its value equals the baseline's at the baseline's price.
    baseline_break_even_price : float or None
        Price of the baseline at which its value equals this card's at this card's price.
    """

    price: float | None
    currency: str | None
    mean_value: float | None
    baseline_mean_value: float | None
    fps_per_money: float | None
    money_per_fps: float | None
    value_ratio: float | None
    value_ratio_interval: Interval | None
    break_even_price: float | None
    break_even_interval: Interval | None
    baseline_break_even_price: float | None
    baseline_break_even_interval: Interval | None
    stands_apart: bool
    caveats: tuple[Caveat, ...]


@dataclass(frozen=True, kw_only=True)
class EfficiencyRow:
    """Energy and running cost over one cut; only cards with sensor logs have a row.

    Everything is over the ``power`` cells of the cut, and there over the runs that have a sensor log:
    ``average_power_w`` and ``mean_rate_fps`` (average rate) are geometric means, ``frames_per_joule`` is the second
    over the first, ``energy_per_frame_j`` one over that. ``efficiency_ratio`` is ``frames_per_joule`` over
    ``baseline_frames_per_joule``. ``running_cost`` is for ``years`` at the plan's tariff and hours a day;
    ``total_cost`` adds the price. Intervals are of *these scenes*; those of cost come from the scatter of power, with
    price and tariff as exact. A card that ``stands_apart`` rests on the cells that it shares with the baseline.
    """

    cut: str
    card: str
    n_cells: int
    stands_apart: bool
    average_power_w: float | None
    average_power_interval: Interval | None
    mean_rate_fps: float | None
    energy_per_frame_j: float | None
    frames_per_joule: float | None
    baseline_frames_per_joule: float | None
    efficiency_ratio: float | None
    efficiency_interval: Interval | None
    years: float | None
    running_cost: float | None
    running_cost_interval: Interval | None
    total_cost: float | None
    total_cost_interval: Interval | None
    currency: str | None
    caveats: tuple[Caveat, ...]
