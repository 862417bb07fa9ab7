"""Two cards over many cells: geometric mean of paired ratios, with two intervals that answer two questions."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import get_args

from frametime.caveats import Caveat, Weight, caveat_title
from frametime.review.cell_comparisons import MetricMeans
from frametime.review.cell_summaries import metric_caveat, no_scatter
from frametime.review.design import CutEntry, ReviewDesign, SampleUnit
from frametime.review.result_tables import CellComparison, MissingCell, OverallComparison, Verdict, VerdictCounts
from frametime.review.sentence import overall_sentence
from frametime.statistics.differences import Difference, Interval, combined, over_sample
from frametime.words import counted, joined

THESE_SCENES = "these scenes: run noise only, {n} cells, Welch-Satterthwaite t interval on logs"
SCENES_LIKE_THESE = "scenes like these: {n} {unit}s as a sample, t interval on logs"

Cell = tuple[str, str]


@dataclass(frozen=True, kw_only=True)
class Paired:
    """Two cards over the cells that both have; ``all_equal`` where the runs of each cell agree to the last digit.

    ``these`` carries run noise only; ``like_these`` the scatter between scenes, ``None`` with fewer than two.
    """

    cells: tuple[Cell, ...]
    missing: tuple[MissingCell, ...]
    these: Difference | None
    like_these: Difference | None
    n_stand_ins: int
    all_equal: bool

    @property
    def n_scenes(self) -> int:
        """Scenes with a cell on both sides."""
        return len({scene for scene, _ in self.cells})

    @property
    def interval(self) -> Interval | None:
        """95 % interval of the ratio over these scenes."""
        return None if self.these is None else self.these.ratio_interval(0.95, THESE_SCENES.format(n=len(self.cells)))


def pair_cells(
    table: MetricMeans, card: str, other: str, cells: Sequence[Cell], *, sample_unit: SampleUnit = "scene"
) -> Paired:
    """Pair two cards over the cells of a cut; cells that miss a side are left out of both and listed."""
    used: list[Cell] = []
    missing: list[MissingCell] = []
    for scene, resolution in cells:
        absent = tuple(name for name in (card, other) if (name, scene, resolution) not in table.means)
        if absent:
            missing.append(MissingCell(scene=scene, resolution=resolution, cards=absent))
        else:
            used.append((scene, resolution))
    terms = []
    n_stand_ins = 0
    log_ratios = []
    for scene, resolution in used:
        one, is_stand_in = table.with_stand_in((card, scene, resolution), n_cells=len(used))
        two, is_other_stand_in = table.with_stand_in((other, scene, resolution), n_cells=len(used))
        n_stand_ins += is_stand_in + is_other_stand_in
        terms += [(1.0 / len(used), one), (-1.0 / len(used), two)]
        log_ratios.append(one.mean - two.mean)
    groups: list[Hashable] = [cell if sample_unit == "cell" else cell[0] for cell in used]
    return Paired(
        cells=tuple(used),
        missing=tuple(missing),
        these=combined(terms) if used else None,
        like_these=over_sample(log_ratios, groups),
        n_stand_ins=n_stand_ins,
        all_equal=bool(used) and all(term.variance == 0.0 for _, term in terms),
    )


def count_verdicts(comparisons: Sequence[CellComparison]) -> VerdictCounts:
    """In how many cells the candidate is what."""
    words = [item.verdict for item in comparisons]
    return VerdictCounts(**{word: words.count(word) for word in get_args(Verdict)})


def pair_caveats(paired: Paired, metric: str, design: ReviewDesign) -> tuple[Caveat, ...]:
    """What must be said with the numbers of a pair."""
    if not paired.cells:
        return (metric_caveat(metric, code="no-common-cell", message="No cell has usable runs on both sides."),)
    caveats = []
    if paired.missing:
        message = f"Left out of both sides: {_listed(paired.missing, design)}."
        caveats.append(metric_caveat(metric, code="missing-cells", message=message))
    if paired.all_equal:
        caveats.append(no_scatter(metric))
    elif paired.these is not None and paired.these.standard_error is None:
        message = "Cells with a single run, and no repeats anywhere, give no interval."
        caveats.append(metric_caveat(metric, code="one-run", message=message))
    if paired.n_stand_ins:
        message = (
            f"In {counted(paired.n_stand_ins, 'place')} a cell has a single run: the repeatability of the card's other "
            "cells stands in for its scatter."
        )
        caveats.append(metric_caveat(metric, code="one-run-pooled", message=message))
    if paired.like_these is None:
        message = "One scene says nothing about other scenes: there is no interval for scenes like these."
        caveats.append(metric_caveat(metric, code="too-few-scenes", message=message))
    return tuple(caveats)


def _listed(missing: Sequence[MissingCell], design: ReviewDesign) -> str:
    scenes = {scene.key: scene.label for scene in design.scenes}
    by_cards: dict[tuple[str, ...], list[str]] = {}
    for item in missing:
        by_cards.setdefault(tuple(item.cards), []).append(f"{scenes[item.scene]} at {item.resolution}")
    return "; ".join(
        f"{joined(cells)} (no value of {joined([design.label(card) for card in cards])})"
        for cards, cells in by_cards.items()
    )


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
    of_pair = [item for item in comparisons if item.metric == key and item.candidate == candidate]
    in_cut = [item for item in of_pair if (item.scene, item.resolution) in set(cut.cells)]
    counts = count_verdicts(in_cut)
    these, like_these = paired.these, paired.like_these
    decision, decision_like = table.decided(these, design.margin), table.decided(like_these, design.margin)
    n_units = paired.n_scenes if design.sample_unit == "scene" else len(paired.cells)
    like_method = SCENES_LIKE_THESE.format(n=n_units, unit=design.sample_unit)
    return OverallComparison(
        cut=cut.key,
        metric=key,
        candidate=candidate,
        baseline=design.baseline,
        ratio=None if these is None else these.ratio,
        interval_these_scenes=paired.interval,
        interval_scenes_like_these=None if like_these is None else like_these.ratio_interval(0.95, like_method),
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
            these=these,
            all_equal=paired.all_equal,
            like_these=like_these,
            n_scenes=paired.n_scenes,
            decision=decision,
            verdict_like_these=decision_like.verdict,
            counts=counts,
        ),
        caveats=(
            *pair_caveats(paired, key, design),
            *_carried(design, [(item, caveat) for item in in_cut for caveat in item.caveats]),
        ),
    )


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
