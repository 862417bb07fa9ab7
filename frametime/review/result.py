"""The one value that every output of a review reads: plain numbers and texts, no frames, no arrays.

Throughout, a ratio is candidate over baseline in the metric's own unit, whichever way is better; *ahead* always
means better (a lower frame time, a higher rate). Fractions of 1 are ratios, ``_pct`` is 0 to 100. ``None`` stands
where there is no number, and a caveat says why.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal, TypeAlias

from frametime.capture import Provenance
from frametime.caveats import Caveat
from frametime.metrics.metric import Curve, Findings, JudgementWord
from frametime.review import result_tables
from frametime.review.design import AtPlace, Entries
from frametime.statistics.repeatability import Outcome

SCHEMA_VERSION: Final = "2"
LookState: TypeAlias = Literal["first look", "more", "decided", "leave"]
RepeatReason: TypeAlias = Literal["missing", "flagged", "unreadable", "rejected", "excluded"]


@dataclass(frozen=True, kw_only=True)
class _TestOutcome:
    """What an outlier test says of a cell.

    ``outcome`` is ``ok``, ``straggler`` (beyond the 5 % value) or ``outlier`` (beyond the 1 % value).
    """

    scene: str
    resolution: str
    statistic: float
    critical_5pct: float
    critical_1pct: float
    outcome: Outcome


@dataclass(frozen=True, kw_only=True)
class GrubbsOutcome(_TestOutcome):
    """Grubbs's test of the run farthest from the mean of its set, by the runs of that set alone (ISO 5725-2).

    ``statistic`` is its distance in standard deviations of the set. ``outcome`` is ``ok``, ``straggler`` (beyond the
    5 % value) or ``outlier`` (beyond the 1 % value).
    """

    run_name: str
    n_runs: int


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
class RunEntry(AtPlace):
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
    session : str or None
        The session from which the shelf has it; ``None`` for the runs of this plan.
    judgement : {'usable', 'usable with care', 'repeat this run'}
    judgement_reasons : tuple of str
    caveats : tuple of Caveat
    findings : Findings
        Stutters, drift and so on, for drawing; not written to ``result.json``.
    curves : Mapping of str to Curve
        ``percentile``, ``rate``, ``trace_low``, ``trace_high``; not written to ``result.json``.
    """

    name: str
    run: str
    provenance: Provenance
    n_frames: int
    duration_s: float
    values: Mapping[str, float | None]
    missing_reasons: Mapping[str, str]
    flag: Flag | None
    excluded_reason: str | None
    session: str | None
    judgement: JudgementWord
    judgement_reasons: tuple[str, ...]
    caveats: tuple[Caveat, ...]
    findings: Findings
    curves: Mapping[str, Curve]


@dataclass(frozen=True, kw_only=True)
class Exclusion:
    """A run that the plan leaves out, with the plan's reason."""

    run_name: str
    file_name: str
    reason: str


@dataclass(frozen=True, kw_only=True)
class UnreadableFile(AtPlace):
    """A capture that could not be read: the error in one line."""

    file_name: str
    run: str
    error: str


@dataclass(frozen=True, kw_only=True)
class CochranOutcome(_TestOutcome):
    """Cochran's test for one cell whose runs scatter more than those of the others (ISO 5725-2).

    ``outcome`` is ``ok``, ``straggler`` (beyond the 5 % value) or ``outlier`` (beyond the 1 % value). The values
    hold over all cards and metrics of the review (Bonferroni).
    """


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
class RunToMake(AtPlace):
    """A run for the bench to make or make again, and why."""

    run: str
    reason: RepeatReason
    sentence: str


@dataclass(frozen=True, kw_only=True)
class CoverageCell(AtPlace):
    """What is there of one card in one cell. ``n_usable`` counts runs that are neither excluded nor to be repeated.

    Where the plan names looks, ``look`` says how the cell stands by the headline metric (that of the baseline: against
    any candidate), and ``n_planned`` are the runs of the look that it waits for: the *first look*, or *more* runs up to
    the next. A cell that is *decided*, or that the last look would not decide (*leave*), waits for none.
    """

    n_planned: int
    present: tuple[str, ...]
    to_make: tuple[RunToMake, ...]
    n_usable: int
    look: LookState | None = None


@dataclass(frozen=True, kw_only=True)
class Coverage:
    """Cards x scenes x resolutions x runs: what is there, what is missing, what to repeat and why.

    ``n_usable`` counts usable runs that the plan asks for: those beyond it make up for none of another cell.
    """

    cells: tuple[CoverageCell, ...]
    n_planned: int
    n_usable: int
    is_complete: bool

    @property
    def to_make(self) -> tuple[RunToMake, ...]:
        """All runs to make or make again, in the order of the plan."""
        return tuple(run for cell in self.cells for run in cell.to_make)


@dataclass(frozen=True, kw_only=True)
class Method:
    """How a number was made: the definition in words with its parameters, and its source."""

    key: str
    label: str
    text: str
    source: str


@dataclass(frozen=True, kw_only=True)
class ReviewResult(Entries):
    """Everything a published comparison needs, beside what `Entries` holds.

    Attributes
    ----------
    plan : Mapping
        The plan as resolved, defaults filled in; plain values only.
    subject : tuple of str
        Keys of the cards that the review is about: those of the plan, of two cards the candidate, else none.
    table_cells : tuple of TableCells
        Of each cut the cells on which its tables rest: ``speed`` and, where there are sensor logs, ``power``.
    comparisons : tuple of CellComparison
        Each metric, each candidate against the baseline, each cell in the order of the plan.
    overall : tuple of OverallComparison
        Each cut, each metric, each candidate against the baseline.
    pairs : tuple of PairOrder
        Each cut, each metric, each pair of cards of the table: what the places rest on.
    paragraphs : Mapping of str to str
        For each cut one paragraph in plain words.
    answers : Mapping of str to Answers
        For each cut the first questions of a reader, each answered in one sentence.
    log_means : tuple of CellLogMean
        By the headline metric, and by the one in which speed for the money is counted: what any choice of cells is
        put together from; none where cells share errors, of a drift that was taken out.
    versions : Mapping of str to str
        Of the package and what it computed with.
    """

    schema_version: str
    plan: Mapping[str, object]
    subject: tuple[str, ...]
    runs: tuple[RunEntry, ...]
    cells: tuple[result_tables.CellSummary, ...]
    table_cells: tuple[result_tables.TableCells, ...]
    comparisons: tuple[result_tables.CellComparison, ...]
    overall: tuple[result_tables.OverallComparison, ...]
    pairs: tuple[result_tables.PairOrder, ...]
    standings: tuple[result_tables.Standing, ...]
    value: tuple[result_tables.ValueRow, ...]
    efficiency: tuple[result_tables.EfficiencyRow, ...]
    repeatability: tuple[Repeatability, ...]
    coverage: Coverage
    exclusions: tuple[Exclusion, ...]
    unreadable: tuple[UnreadableFile, ...]
    paragraphs: Mapping[str, str]
    answers: Mapping[str, result_tables.Answers]
    log_means: tuple[result_tables.CellLogMean, ...]
    caveats: tuple[Caveat, ...]
    methods: tuple[Method, ...]
    versions: Mapping[str, str]

    def cells_of(self, cut: str, kind: result_tables.CellsKind = "speed") -> result_tables.TableCells:
        """The cells on which the tables of a cut rest; ``KeyError`` without sensor logs, for ``power``."""
        return {(item.cut, item.kind): item for item in self.table_cells}[cut, kind]

    @property
    def published(self) -> Mapping[str, Any]:
        """What the plan says of the looks of its charts, under ``[publish]``."""
        return found if isinstance(found := self.plan.get("publish"), Mapping) else {}

    @property
    def own_colors(self) -> Mapping[str, str | None]:
        """The color that the plan gives to each card."""
        cards = self.plan.get("cards")
        return {card["key"]: card.get("color") for card in cards} if isinstance(cards, list | tuple) else {}
