"""Words and numbers of a review, the same on the terminal, in Markdown and in the report."""

from __future__ import annotations

from typing import Final

from frametime.errors import printable
from frametime.render.numbers import NOT_AVAILABLE, format_estimate
from frametime.review.design import MetricEntry
from frametime.review.result import Coverage, CoverageCell, ReviewResult
from frametime.review.result_tables import CellComparison, Estimate, Standing, Verdict, VerdictCounts
from frametime.statistics.differences import Interval
from frametime.units import shown_unit
from frametime.words import money_words as amount_words
from frametime.words import percent_change_words

VERDICTS: Final[tuple[Verdict, ...]] = ("ahead", "tied", "behind", "undecided")
"""In the order in which they are told."""

MAY_BE_CHANCE = "may be chance"
"""Said of a cell that is ahead or behind by itself, but not surely enough among so many cells (Holm's adjustment)."""
CHANCE_STORY = f"{MAY_BE_CHANCE}: not sure enough to be named among so many cells"


def change_words(ratio: float | None, interval: Interval | None) -> str:
    """``+5.2 % (+4.1 to +6.3 %)``, or n/a.

    Examples
    --------
    >>> change_words(1.052, Interval(low=1.041, high=1.063, level=0.95, method="t interval"))
    '+5.2 % (+4.1 to +6.3 %)'
    """
    return NOT_AVAILABLE if ratio is None else percent_change_words(ratio, interval)


def estimate_words(estimate: Estimate | None, unit: str) -> str:
    """``102.5 (101.2 to 103.8) fps``, or n/a."""
    if estimate is None or estimate.value is None:
        return NOT_AVAILABLE
    bounds = estimate.interval
    return format_estimate(
        estimate.value, unit, low=None if bounds is None else bounds.low, high=None if bounds is None else bounds.high
    )


def mean_words(standing: Standing, metric: MetricEntry) -> str:
    """Mean over cells with its unit."""
    return format_estimate(standing.mean_value, metric.unit)


def verdict_words(comparison: CellComparison) -> str:
    """The verdict of a cell and what goes with it.

    *undecided* says how many runs would decide, *tied* whether the difference is real all the same, *ahead* and
    *behind* whether the claim stands among so many cells.
    """
    if comparison.verdict == "undecided":
        if comparison.at_margin:
            return "undecided (at the margin)"
        if comparison.runs_needed is not None:
            return f"undecided ({comparison.runs_needed} runs needed)"
        return "undecided"
    if comparison.verdict == "tied":
        return "tied (real, but small)" if comparison.real_but_small else "tied"
    return comparison.verdict if comparison.stands_after_holm else f"{comparison.verdict} ({MAY_BE_CHANCE})"


def counts_words(counts: VerdictCounts) -> str:
    """How many cells have each verdict; verdicts without a cell are left out.

    Examples
    --------
    >>> counts_words(VerdictCounts(ahead=3, behind=0, tied=1, undecided=0))
    '3 ahead · 1 tied'
    """
    parts = [f"{getattr(counts, verdict)} {verdict}" for verdict in VERDICTS if getattr(counts, verdict)]
    return " · ".join(parts) if parts else "no cell with runs on both sides"


def coverage_words(cell: CoverageCell) -> str:
    """``3 of 3``, ``2 of 3``: usable runs of those planned."""
    return f"{cell.n_usable} of {cell.n_planned}"


def coverage_sentence(coverage: Coverage) -> str:
    """Whether the bench can be taken down."""
    if coverage.is_complete:
        return f"Complete: every cell has its runs ({coverage.n_usable} usable, {coverage.n_planned} planned)."
    n = len(coverage.to_make)
    runs = "runs" if n != 1 else "run"
    return f"Not complete: {n} {runs} to make ({coverage.n_usable} usable, {coverage.n_planned} planned)."


def money_words(amount: float | None, currency: str | None, interval: Interval | None = None) -> str:
    """An amount of money, with its interval."""
    if amount is None:
        return NOT_AVAILABLE
    return f"{amount_words(amount, interval)} {printable(currency or '')}".rstrip()


def cell_name(result: ReviewResult, scene: str, resolution: str) -> str:
    """``Harbor at 1440p``."""
    return f"{result.scene(scene).label} at {resolution}"


def metric_name(metric: MetricEntry) -> str:
    """Label, with the unit in brackets where it has one."""
    unit = shown_unit(metric.unit)
    return f"{metric.label} ({unit})" if unit else metric.label
