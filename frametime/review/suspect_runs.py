"""Whether a single run is to blame for a set that scatters too much: Grubbs's test where ISO 5725-2 has it.

The standard asks it of the cells that Cochran's test suspects, and no others: at 5 % each, it would name a run in two
of forty good cells.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from frametime.review.outlier_tests import FloatArray, cochran_test, grubbs_test
from frametime.review.result_runs import GrubbsOutcome
from frametime.review.run_set import Place, RunSet

OUTLIER_STORY: Final = (
    "Cochran's test asks whether a cell scatters more than the card's other cells; where it does, Grubbs's test asks "
    "whether one run of that cell is to blame, by that cell alone. Beyond the 5 % value the standard says straggler, "
    "beyond the 1 % value outlier, else ok. Neither test leaves a run out, and with three runs a cell Grubbs's sees "
    "little: runs to make again are found by the flag, which measures each run against the scatter of all the card's "
    "cells."
)
"""How the two tests of ISO 5725-2 and the flag go together: the one story that every output tells."""


def grubbs_of(run_set: RunSet, metric: str) -> GrubbsOutcome | None:
    """Grubbs's test on the logs of a metric over one set; ``None`` where it has fewer than three, or no scatter."""
    logs = run_set.log_values(metric)
    test = None if logs is None else grubbs_test(logs)
    if logs is None or test is None:
        return None
    with_value = [run for run in run_set.runs if run.value(metric) is not None]
    return GrubbsOutcome(
        run_name=with_value[test.farthest_at].name,
        scene=run_set.scene,
        resolution=run_set.resolution,
        n_runs=logs.size,
        statistic=test.statistic,
        critical_5pct=test.critical_5pct,
        critical_1pct=test.critical_1pct,
        outcome=test.outcome,
    )


def suspect_places(logs: Mapping[Place, FloatArray], kept: Sequence[Place], aside: Sequence[Place]) -> list[Place]:
    """Cells that Cochran's test calls outliers, in the order found, and the straggler among the others."""
    test = cochran_test([logs[place] for place in kept])
    return [*aside, *([] if test is None or test.outcome == "ok" else [kept[test.largest_at]])]


def suspect_runs(sets: Sequence[RunSet], places: Sequence[Place], metric: str) -> tuple[GrubbsOutcome, ...]:
    """Grubbs's outcome for each of the suspected cells of a card that has three runs or more."""
    by_place = {run_set.place: run_set for run_set in sets}
    found = (grubbs_of(by_place[place], metric) for place in places)
    return tuple(outcome for outcome in found if outcome is not None)
