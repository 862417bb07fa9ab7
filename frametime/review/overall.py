"""Two cards over many cells: geometric mean of paired ratios, with two intervals that answer two questions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from frametime.caveats import Caveat
from frametime.review.cells import MetricMeans
from frametime.review.comparison import Difference, combined
from frametime.review.design import ReviewDesign, SampleUnit
from frametime.review.metric_caveats import metric_caveat
from frametime.review.result_cells import CellComparison
from frametime.review.result_overall import MissingCell, VerdictCounts
from frametime.words import counted, joined

THESE_SCENES = "these scenes: run noise only, {n} cells, Welch-Satterthwaite t interval on logs"
SCENES_LIKE_THESE = "scenes like these: {n} {unit}s as a sample, t interval on logs"

Cell = tuple[str, str]


@dataclass(frozen=True, kw_only=True)
class Paired:
    """Two cards over the cells that both have.

    ``these`` carries run noise only; ``like_these`` the scatter between scenes, ``None`` with fewer than two.
    """

    cells: tuple[Cell, ...]
    missing: tuple[MissingCell, ...]
    these: Difference | None
    like_these: Difference | None
    n_stand_ins: int
    log_ratios: tuple[float, ...]

    @property
    def n_scenes(self) -> int:
        """Scenes with a cell on both sides."""
        return len({scene for scene, _ in self.cells})


def over_sample(log_ratios: Sequence[float], groups: Sequence[object]) -> Difference | None:
    """Mean of log ratios with the scatter between groups; ``None`` with fewer than two groups.

    Each cell weighs the same. The variance is ``G / (G - 1) * sum(w_g^2 (m_g - m)^2)`` with ``w_g`` the share of
    the cells that lie in group g and ``m_g`` their mean, ``G - 1`` degrees of freedom. Where every group has as
    many cells this is the t interval over group means; with one cell a group, that over cells.

    References
    ----------
    K.-Y. Liang and S. L. Zeger, Biometrika 73, 13-22, 1986 (variance from clusters), with the factor G / (G - 1).
    """
    values = np.asarray(log_ratios, np.float64)
    names = list(dict.fromkeys(groups))
    if len(names) < 2:
        return None
    mean = float(values.mean())
    sums = [
        float(np.sum(values[[at for at, group in enumerate(groups) if group == name]] - mean)) / values.size
        for name in names
    ]
    variance = len(names) / (len(names) - 1) * math.fsum(item * item for item in sums)
    if variance == 0.0:
        return None
    return Difference(value=mean, standard_error=math.sqrt(variance), degrees_of_freedom=len(names) - 1)


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
        one, is_stand_in = table.with_stand_in((card, scene, resolution))
        two, is_other_stand_in = table.with_stand_in((other, scene, resolution))
        n_stand_ins += is_stand_in + is_other_stand_in
        terms += [(1.0 / len(used), one), (-1.0 / len(used), two)]
        log_ratios.append(one.mean - two.mean)
    groups: list[object] = [cell if sample_unit == "cell" else cell[0] for cell in used]
    return Paired(
        cells=tuple(used),
        missing=tuple(missing),
        these=combined(terms) if used else None,
        like_these=over_sample(log_ratios, groups),
        n_stand_ins=n_stand_ins,
        log_ratios=tuple(log_ratios),
    )


def count_verdicts(comparisons: Sequence[CellComparison], cells: Sequence[Cell]) -> VerdictCounts:
    """Verdicts of the cells of a cut."""
    chosen = set(cells)
    words = [item.verdict for item in comparisons if (item.scene, item.resolution) in chosen]
    return VerdictCounts(
        ahead=words.count("ahead"),
        behind=words.count("behind"),
        tied=words.count("tied"),
        undecided=words.count("undecided"),
    )


def pair_caveats(paired: Paired, metric: str, design: ReviewDesign) -> tuple[Caveat, ...]:
    """What must be said with the numbers of a pair."""
    if not paired.cells:
        return (metric_caveat(metric, code="no-common-cell", message="No cell has usable runs on both sides."),)
    caveats = []
    if paired.missing:
        message = f"Left out of both sides: {_listed(paired.missing, design)}."
        caveats.append(metric_caveat(metric, code="missing-cells", message=message))
    if paired.these is not None and paired.these.standard_error is None:
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
