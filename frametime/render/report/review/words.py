"""What the parts of a review are called, looked up once."""

from __future__ import annotations

from frametime.render.report.parts import sentence_case
from frametime.review.result import ReviewResult
from frametime.review.result_tables import CellComparison, OverallComparison
from frametime.units import shown_unit


class Words:
    """Labels of cards, scenes, cuts and metrics of one result, and the phrases built from them."""

    def __init__(self, result: ReviewResult) -> None:
        self.cards = {entry.key: entry.label for entry in result.cards}
        self.scenes = {entry.key: entry.label for entry in result.scenes}
        self.cuts = {entry.key: entry.label for entry in result.cuts}
        self.metrics = {entry.key: entry for entry in result.metrics}
        self.baseline = self.cards[result.baseline]
        self.headline = self.metrics[result.headline]

    def metric_heading(self, key: str) -> str:
        """Label and unit: the heading of a column."""
        entry = self.metrics[key]
        unit = shown_unit(entry.unit)
        return sentence_case(f"{entry.label} ({unit})" if unit and unit not in entry.label else entry.label)

    def better(self, key: str) -> str:
        """Which way is better, as the end of a caption."""
        better = self.metrics[key].better
        return "neither way is better" if better == "neither" else f"{better} is better"

    def difference_hint(self, key: str) -> str:
        """What the sign of a difference means for this metric."""
        better = self.metrics[key].better
        if better == "neither":
            return "no sign is better"
        return f"{'plus' if better == 'higher' else 'minus'} is better"

    def against(self, comparison: OverallComparison | CellComparison) -> str:
        """Whom a comparison is made with."""
        return self.cards[comparison.baseline]


def first_reason(caveats: tuple[object, ...], otherwise: str) -> str:
    """The message of the first caveat, which says why a number is missing; else ``otherwise``."""
    for caveat in caveats:
        message = getattr(caveat, "message", None)
        if isinstance(message, str):
            return message
    return otherwise
