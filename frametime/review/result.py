"""The one value that every output of a review reads: plain numbers and texts, no frames, no arrays.

Throughout, a ratio is candidate over baseline in the metric's own unit, whichever way is better; *ahead* always
means better (a lower frame time, a higher rate). Fractions of 1 are ratios, ``_pct`` is 0 to 100. ``None`` stands
where there is no number, and a caveat says why.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Protocol, TypeVar

from frametime.caveats import Caveat
from frametime.review.result_cells import CellComparison, CellSummary
from frametime.review.result_entries import CardEntry, CutEntry, Method, MetricEntry, SceneEntry
from frametime.review.result_overall import EfficiencyRow, OverallComparison, PairOrder, Standing, ValueRow
from frametime.review.result_runs import Coverage, Exclusion, Repeatability, RunEntry, UnreadableFile

SCHEMA_VERSION: Final = "1"


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
