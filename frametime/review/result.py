"""The one value that every output of a review reads: plain numbers and texts, no frames, no arrays.

Throughout, a ratio is candidate over baseline in the metric's own unit, whichever way is better; *ahead* always
means better (a lower frame time, a higher rate). Fractions of 1 are ratios, ``_pct`` is 0 to 100. ``None`` stands
where there is no number, and a caveat says why.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal, Protocol, TypeAlias, TypeVar

from frametime.capture import Provenance
from frametime.caveats import Caveat
from frametime.metrics.findings import Findings
from frametime.metrics.metric import Better, Curve, Interval, JudgementWord

Verdict: TypeAlias = Literal["ahead", "behind", "tied", "undecided"]
RepeatReason: TypeAlias = Literal["missing", "flagged", "unreadable", "judged", "excluded"]

SCHEMA_VERSION: Final = "1"


@dataclass(frozen=True, kw_only=True)
class MetricEntry:
    """A metric of the review: what it is called, counted in, and which way is better."""

    key: str
    label: str
    unit: str
    better: Better
    definition: str
    source: str
    is_headline: bool


@dataclass(frozen=True, kw_only=True)
class CardEntry:
    """A card that is compared. ``price`` is in ``currency``; ``None`` where the plan gives none."""

    key: str
    label: str
    price: float | None
    currency: str | None
    settings: str | None
    driver: str | None
    is_baseline: bool


@dataclass(frozen=True, kw_only=True)
class SceneEntry:
    """A scene, with the tags by which cuts choose it."""

    key: str
    label: str
    tags: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class CutEntry:
    """A choice of cells: (scene, resolution) pairs in the order of the plan, and the choice in words."""

    key: str
    label: str
    definition: str
    cells: tuple[tuple[str, str], ...]


@dataclass(frozen=True, kw_only=True)
class Flag:
    """Why a run stands out from its set: the evidence in one sentence, and the numbers behind it.

    ``distance_pct`` is how far the run lies from the rest of its set, ``limit_pct`` how far it may lie. ``grubbs`` is
    what the runs of its set alone say of it, by the same metric; the flag does not rest on it.
    """

    metric: str
    distance_pct: float
    limit_pct: float
    method: str
    sentence: str
    grubbs: GrubbsOutcome


@dataclass(frozen=True, kw_only=True)
class RunEntry:
    """One measured run, as it entered the review.

    Attributes
    ----------
    name : str
        ``card/scene/resolution/run``: unique in the review, and the name by which a plan excludes it.
    card, scene, resolution, run : str
        Keys of the plan.
    provenance : Provenance
        File name, sha256, rows, layout found.
    n_frames : int
    duration_s : float
    values : Mapping of str to float or None
        Every metric measured, by key.
    missing_reasons : Mapping of str to str
        Why a value is ``None``.
    flag : Flag or None
        Set when the run should be made again; a flagged run still counts.
    excluded_reason : str or None
        The plan's reason; the run does not count.
    judgement : {'usable', 'usable with care', 'repeat this run'}
    judgement_reasons : tuple of str
    caveats : tuple of Caveat
    findings : Findings
        Stutters, drift and so on, for drawing; not written to ``result.json``.
    curves : Mapping of str to Curve
        ``percentile``, ``rate``, ``trace_low``, ``trace_high``; not written to ``result.json``.
    """

    name: str
    card: str
    scene: str
    resolution: str
    run: str
    provenance: Provenance
    n_frames: int
    duration_s: float
    values: Mapping[str, float | None]
    missing_reasons: Mapping[str, str]
    flag: Flag | None
    excluded_reason: str | None
    judgement: JudgementWord
    judgement_reasons: tuple[str, ...]
    caveats: tuple[Caveat, ...]
    findings: Findings
    curves: Mapping[str, Curve]


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
    ``total_cost`` adds the price.
    """

    cut: str
    card: str
    n_cells: int
    average_power_w: float | None
    energy_per_frame_j: float | None
    frames_per_joule: float | None
    efficiency_ratio: float | None
    efficiency_interval: Interval | None
    years: float | None
    running_cost: float | None
    total_cost: float | None
    currency: str | None
    caveats: tuple[Caveat, ...]


@dataclass(frozen=True, kw_only=True)
class CochranOutcome:
    """Cochran's test for one cell whose runs scatter more than those of the others (ISO 5725-2).

    ``outcome`` is ``ok``, ``straggler`` (beyond the 5 % value) or ``outlier`` (beyond the 1 % value).
    """

    statistic: float
    critical_5pct: float
    critical_1pct: float
    scene: str
    resolution: str
    outcome: Literal["ok", "straggler", "outlier"]


@dataclass(frozen=True, kw_only=True)
class GrubbsOutcome:
    """Grubbs's test of the run farthest from the mean of its set, by the runs of that set alone (ISO 5725-2).

    ``statistic`` is its distance in standard deviations of the set. ``outcome`` is ``ok``, ``straggler`` (beyond the
    5 % value) or ``outlier`` (beyond the 1 % value).
    """

    run_name: str
    scene: str
    resolution: str
    n_runs: int
    statistic: float
    critical_5pct: float
    critical_1pct: float
    outcome: Literal["ok", "straggler", "outlier"]


@dataclass(frozen=True, kw_only=True)
class Repeatability:
    """How well one card's runs repeat, over all its cells (ISO 5725-2, on natural logs).

    ``s_r_pct`` is the repeatability standard deviation in percent, ``limit_pct`` is 2.8 times that: two runs of
    one cell differ by less in 95 of 100 cases. ``grubbs`` holds one outcome for each cell of three runs or more that
    Cochran's test calls a straggler or an outlier: whether a single run of it is to blame.
    """

    card: str
    metric: str
    s_r_pct: float | None
    limit_pct: float | None
    degrees_of_freedom: int
    n_cells: int
    cochran: CochranOutcome | None
    grubbs: tuple[GrubbsOutcome, ...]
    caveats: tuple[Caveat, ...]


@dataclass(frozen=True, kw_only=True)
class RunToMake:
    """A run for the bench to make or make again, and why."""

    card: str
    scene: str
    resolution: str
    run: str
    reason: RepeatReason
    sentence: str


@dataclass(frozen=True, kw_only=True)
class CoverageCell:
    """What is there of one card in one cell. ``n_usable`` counts runs that are neither excluded nor to be repeated."""

    card: str
    scene: str
    resolution: str
    n_planned: int
    present: tuple[str, ...]
    to_make: tuple[RunToMake, ...]
    n_usable: int


@dataclass(frozen=True, kw_only=True)
class Coverage:
    """Cards x scenes x resolutions x runs: what is there, what is missing, what to repeat and why."""

    cells: tuple[CoverageCell, ...]
    n_planned: int
    n_usable: int
    is_complete: bool

    @property
    def to_make(self) -> tuple[RunToMake, ...]:
        """All runs to make or make again, in the order of the plan."""
        return tuple(run for cell in self.cells for run in cell.to_make)


@dataclass(frozen=True, kw_only=True)
class Exclusion:
    """A run that the plan leaves out, with the plan's reason."""

    run_name: str
    file_name: str
    reason: str


@dataclass(frozen=True, kw_only=True)
class UnreadableFile:
    """A capture that could not be read: the error in one line."""

    file_name: str
    card: str
    scene: str
    resolution: str
    run: str
    error: str


@dataclass(frozen=True, kw_only=True)
class Method:
    """How a number was made: the definition in words with its parameters, and its source."""

    key: str
    label: str
    text: str
    source: str


@dataclass(frozen=True, kw_only=True)
class ReviewResult:
    """Everything a published comparison needs.

    Attributes
    ----------
    plan : Mapping
        The plan as resolved, defaults filled in; plain values only.
    margin : float
        Difference that counts as meaningful, as a fraction (0.03 is 3 %).
    baseline : str
        Key of the baseline card.
    headline : str
        Key of the metric of which the sentences speak.
    cuts : tuple of CutEntry
        The first is always ``all``.
    comparisons : tuple of CellComparison
        Each metric, each candidate against the baseline, each cell in the order of the plan.
    overall : tuple of OverallComparison
        Each cut, each metric, each candidate against the baseline.
    pairs : tuple of PairOrder
        Each cut, each metric, each pair of cards: what the places rest on.
    paragraphs : Mapping of str to str
        For each cut one paragraph in plain words.
    versions : Mapping of str to str
        Of the package and what it computed with.
    """

    schema_version: str
    title: str
    plan: Mapping[str, object]
    margin: float
    baseline: str
    headline: str
    cards: tuple[CardEntry, ...]
    scenes: tuple[SceneEntry, ...]
    resolutions: tuple[str, ...]
    cuts: tuple[CutEntry, ...]
    metrics: tuple[MetricEntry, ...]
    runs: tuple[RunEntry, ...]
    cells: tuple[CellSummary, ...]
    comparisons: tuple[CellComparison, ...]
    overall: tuple[OverallComparison, ...]
    pairs: tuple[PairOrder, ...]
    standings: tuple[Standing, ...]
    value: tuple[ValueRow, ...]
    efficiency: tuple[EfficiencyRow, ...]
    repeatability: tuple[Repeatability, ...]
    coverage: Coverage
    exclusions: tuple[Exclusion, ...]
    unreadable: tuple[UnreadableFile, ...]
    paragraphs: Mapping[str, str]
    caveats: tuple[Caveat, ...]
    methods: tuple[Method, ...]
    versions: Mapping[str, str]

    def metric(self, key: str) -> MetricEntry:
        """The metric of that key; ``KeyError`` when the review has none."""
        return _by_key(self.metrics, key)

    def card(self, key: str) -> CardEntry:
        """The card of that key; ``KeyError`` when the review has none."""
        return _by_key(self.cards, key)

    def scene(self, key: str) -> SceneEntry:
        """The scene of that key; ``KeyError`` when the review has none."""
        return _by_key(self.scenes, key)

    def cut(self, key: str) -> CutEntry:
        """The cut of that key; ``KeyError`` when the review has none."""
        return _by_key(self.cuts, key)


class _Keyed(Protocol):
    @property
    def key(self) -> str: ...


_Entry = TypeVar("_Entry", bound=_Keyed)


def _by_key(entries: tuple[_Entry, ...], key: str) -> _Entry:
    for entry in entries:
        if entry.key == key:
            return entry
    raise KeyError(key)
