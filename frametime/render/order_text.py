"""The order of runs as a checklist, with what other orders would cost and buy."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from frametime.errors import printable
from frametime.lab.order import OrderQuality, Step
from frametime.render.terminal_text import text_table, wrapped
from frametime.review.design import ReviewDesign

_EXPLAINED = (
    "Left of a drift of 1 % an hour, between two cards at worst: in the mean over all cells, and in one cell. "
    "The order marked with > is listed below."
)


def order_text(design: ReviewDesign, found: Sequence[OrderQuality], at: int, steps: Sequence[Step]) -> str:
    """A table of the orders, then each stint on a card with its runs, to be ticked off."""
    heading = ["", "Swaps", "Hours", "Left over all cells", "Left in one cell"]
    rows = [
        [
            ">" if place == at else "",
            str(one.n_swaps),
            f"{one.hours:.1f}",
            f"{one.left_whole:.2f} %",
            f"{one.left_cell:.2f} %",
        ]
        for place, one in enumerate(found)
    ]
    right = frozenset(range(1, len(heading)))
    lines = [printable(design.title), "", text_table(heading, rows, right=right), ""]
    lines += [wrapped(_EXPLAINED), ""]
    scenes = {scene.key: scene.label for scene in design.scenes}
    for number, (_, stint) in enumerate(groupby(steps, key=lambda step: step.stint), 1):
        runs = list(stint)
        hours, minutes = divmod(round(runs[0].start_min), 60)
        lines.append(f"{number}. Put in {printable(design.label(runs[0].card))} ({hours}:{minutes:02d} h)")
        lines += [f"   [ ] {printable(scenes[run.scene])} at {run.resolution}, run {run.run}" for run in runs]
        lines.append("")
    return "\n".join(lines)
