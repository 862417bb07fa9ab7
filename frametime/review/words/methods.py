"""How each number of a review was made, in words, with the parameters that were used."""

from __future__ import annotations

import math
from pathlib import Path

from frametime.lab.looks import levels_at
from frametime.metrics.metric import PRACTICE
from frametime.review.design import ReviewDesign
from frametime.review.money_and_power import DAYS_PER_YEAR
from frametime.review.result import Method
from frametime.review.runs.card_repeatability import least_distance
from frametime.review.runs.modes import ALPHA
from frametime.review.verdict_rule import MOST_RUNS, POWER
from frametime.statistics.outlier_tests import TAIL_FREEDOM
from frametime.statistics.repeatability import REPEATABILITY_FACTOR
from frametime.words import entries, joined


def methods_of(design: ReviewDesign) -> tuple[Method, ...]:
    """The definitions used, for the methods part of every output.

    ``methods.txt`` beside this file has for each its key, label, text and source, and below them what some of them
    say by the rules of the plan; what belongs to an entry is indented.
    """
    rows = entries(Path(__file__).with_name("methods.txt").read_text("utf-8"))
    by_rule = {row[0]: row[1] for row in rows if len(row) == 2}
    levels = [(n, level) for n in design.looks if (level := levels_at(design.looks, n)) is not None]
    words = {
        "level_pct": 100 * design.level,
        "repeatability": REPEATABILITY_FACTOR,
        "tail_freedom": TAIL_FREEDOM,
        "least_pct": 100.0 * math.expm1(least_distance(design.margin)),
        "trend_pct": 100 * ALPHA,
        "scatter": by_rule[f"scatter-{design.spread}"],
        "margin_pct": 100.0 * design.margin,
        "edge": 1.0 + design.margin,
        "looks": joined([str(n) for n in design.looks]),
        "levels": "; ".join(
            f"{n} runs: {100.0 * (1.0 - 2.0 * level.lead):.4g} % and {100.0 * (1.0 - 2.0 * level.tie):.4g} %"
            for n, level in levels
        ),
        "power_pct": 100 * POWER,
        "most_runs": MOST_RUNS,
        "draw": by_rule[f"draw-{design.sample_unit}"],
        "practice": PRACTICE,
        "days": DAYS_PER_YEAR,
    }
    told = [row for row in rows if len(row) > 2 and (row[0] != "looks" or design.looks)]
    return tuple(
        Method(key=key, label=label, text=text.format(**words), source=source.format(**words))
        for key, label, text, source in told
    )
