"""One row for each cut, metric and candidate: numbers, verdict, words and the caveats of the cells below."""

from __future__ import annotations

import math
from collections.abc import Sequence

from frametime.caveats import Caveat, Weight, caveat_title
from frametime.review.cells import MetricMeans
from frametime.review.comparison import Decision
from frametime.review.design import ReviewDesign
from frametime.review.overall import (
    SCENES_LIKE_THESE,
    THESE_SCENES,
    count_verdicts,
    pair_caveats,
    pair_cells,
)
from frametime.review.result_cells import CellComparison
from frametime.review.result_entries import CutEntry
from frametime.review.result_overall import OverallComparison
from frametime.review.sentence import overall_sentence
from frametime.words import counted

_UNDECIDED = Decision(verdict="undecided", real_but_small=False)


def overall_comparison(
    design: ReviewDesign,
    table: MetricMeans,
    cut: CutEntry,
    candidate: str,
    comparisons: Sequence[CellComparison],
) -> OverallComparison:
    """Candidate against baseline over a cut, with the caveats of its cells."""
    key = table.metric.key
    paired = pair_cells(table, candidate, design.baseline, cut.cells, sample_unit=design.sample_unit)
    counts = count_verdicts([c for c in comparisons if c.metric == key and c.candidate == candidate], cut.cells)
    these, like_these = paired.these, paired.like_these
    decision = _UNDECIDED if these is None else table.decided(these, design.margin)
    decision_like = _UNDECIDED if like_these is None else table.decided(like_these, design.margin)
    n_units = paired.n_scenes if design.sample_unit == "scene" else len(paired.cells)
    return OverallComparison(
        cut=cut.key,
        metric=key,
        candidate=candidate,
        baseline=design.baseline,
        ratio=None if these is None else math.exp(these.value),
        interval_these_scenes=None
        if these is None
        else these.ratio_interval(0.95, THESE_SCENES.format(n=len(paired.cells))),
        interval_scenes_like_these=None
        if like_these is None
        else like_these.ratio_interval(0.95, SCENES_LIKE_THESE.format(n=n_units, unit=design.sample_unit)),
        n_cells=len(paired.cells),
        n_scenes=paired.n_scenes,
        counts=counts,
        missing=paired.missing,
        verdict=decision.verdict,
        verdict_scenes_like_these=decision_like.verdict,
        real_but_small=decision.real_but_small,
        sentence=overall_sentence(
            design,
            table.metric,
            candidate,
            paired,
            verdict=decision.verdict,
            verdict_like_these=decision_like.verdict,
            real_but_small=decision.real_but_small,
            counts=counts,
        ),
        caveats=(
            *pair_caveats(paired, key, design),
            *_carried(design, _cell_caveats(comparisons, key, candidate, cut)),
        ),
    )


def _cell_caveats(
    comparisons: Sequence[CellComparison], metric: str, candidate: str, cut: CutEntry
) -> list[tuple[CellComparison, Caveat]]:
    cells = set(cut.cells)
    return [
        (item, caveat)
        for item in comparisons
        if item.metric == metric and item.candidate == candidate and (item.scene, item.resolution) in cells
        for caveat in item.caveats
    ]


def _carried(design: ReviewDesign, found: Sequence[tuple[CellComparison, Caveat]]) -> tuple[Caveat, ...]:
    """One caveat for each kind, naming the cells: the details stand with the cells."""
    labels = {scene.key: scene.label for scene in design.scenes}
    by_code: dict[str, list[tuple[CellComparison, Caveat]]] = {}
    for item in found:
        # A note stays with its cell.
        if item[1].weight is not Weight.NOTE:
            by_code.setdefault(item[1].code, []).append(item)
    carried = []
    for code, members in by_code.items():
        cells = list(dict.fromkeys(f"{labels[item.scene]} at {item.resolution}" for item, _ in members))
        messages = list(dict.fromkeys(caveat.message for _, caveat in members))
        # One message must not pass for the others: its numbers are those of one cell.
        told = f"{cells[0]}, {messages[0]}" if len(messages) == 1 else _kind_words(code, cells)
        carried.append(
            Caveat(
                code=code,
                message=told,
                weight=max((caveat.weight for _, caveat in members), key=list(Weight).index),
                metrics=members[0][1].metrics,
                is_carried=True,
            )
        )
    return tuple(carried)


def _kind_words(code: str, cells: Sequence[str]) -> str:
    shown = ", ".join(cells[:4]) + (f" and {len(cells) - 4} more" if len(cells) > 4 else "")
    return f"{caveat_title(code)} in {counted(len(cells), 'cell')}: {shown}."
