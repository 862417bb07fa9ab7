"""A review at the bench: the newest run on the second screen, what comes next, and the order of runs as a checklist."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from frametime.errors import printable
from frametime.lab.sessions import OrderQuality, Step
from frametime.metrics.metric import MeasuredRun
from frametime.render.check_text import JUDGEMENT_ROLES, Style, unstyled
from frametime.render.numbers import format_quantity
from frametime.render.review_words import look_words
from frametime.render.terminal_text import text_table, wrapped
from frametime.review.design import ReviewDesign
from frametime.review.result import Coverage, RunToMake
from frametime.review.reviewing import NewestRun
from frametime.review.run_set import PlacedRun
from frametime.words import counted

_LOOKS = {"decided": "This cell is decided.", "leave": "The last look would not decide this cell: leave it."}
_MORE_KEYS = ("average_power_w", "peak_temperature_c")


def newest_run_text(design: ReviewDesign, newest: NewestRun, *, style: Style = unstyled) -> str:
    """Judgement, numbers, how it lies beside the others of its cell, and which run comes next; four lines."""
    run = newest.run
    place = _place(design, run.card, run.scene, run.resolution, run.run)
    if not isinstance(run, PlacedRun):
        lines = [f"{place}: {style('cannot be used', 'bad')}", f"  {printable(run.error)}"]
    else:
        reasons = "; ".join(run.measured.judgement.reasons)
        word = run.measured.judgement.word
        lines = [
            f"{place}: {style(word, JUDGEMENT_ROLES[word])}" + (f": {reasons}" if reasons else ""),
            f"  {_numbers(design, run.measured)}",
            f"  {_beside_others(newest, style)}",
        ]
    own = next(
        cell
        for cell in newest.coverage.cells
        if (cell.card, cell.scene, cell.resolution) == (run.card, run.scene, run.resolution)
    )
    if own.look is not None:
        lines[-1] += f" {_LOOKS.get(own.look) or f'This cell: {look_words(own)}.'}"
    following = next_run_text(design, newest.coverage, newest.next_run)
    if newest.next_run is not None and newest.next_run.card != run.card:
        following = f"Swap cards. {following}"
    return "\n".join([*lines, following]) + "\n"


def next_run_text(design: ReviewDesign, coverage: Coverage, next_run: RunToMake | None) -> str:
    """Which run comes next and how many are left, on one line."""
    if next_run is None:
        return f"Complete: every cell has its runs ({coverage.n_usable} usable)."
    n_left = len(coverage.to_make)
    n_same = sum(run.card == next_run.card for run in coverage.to_make)
    place = _place(design, next_run.card, next_run.scene, next_run.resolution, next_run.run)
    again = "" if next_run.reason == "missing" else " again"
    left = f"{counted(n_left, 'run')} left" + (f", {n_same} of them on this card" if n_same < n_left else "")
    return f"Next: {place}{again} ({left})"


def _place(design: ReviewDesign, card: str, scene: str, resolution: str, run: str) -> str:
    cards = {entry.key: entry.label for entry in design.cards}
    scenes = {entry.key: entry.label for entry in design.scenes}
    return printable(f"{cards[card]}, {scenes[scene]} at {resolution}, run {run}")


def _numbers(design: ReviewDesign, run: MeasuredRun) -> str:
    """The metrics of the review, then power and heat where they were measured."""
    told = []
    units = {metric.key: (metric.label, metric.unit) for metric in design.metrics}
    for key, (label, unit) in units.items():
        value = run.values[key].value if key in run.values else None
        if value is not None:
            told.append(f"{label} {format_quantity(value, unit)}")
    for key in _MORE_KEYS:
        if key in run.values and key not in units and (value := run.values[key].value) is not None:
            told.append(format_quantity(value, run.values[key].unit, digits=3))
    return "; ".join(told)


def _beside_others(newest: NewestRun, style: Style) -> str:
    if newest.flag is not None:
        return f"{style('Repeat this run', 'bad')}: {newest.flag.sentence}"
    if newest.others_pct is None:
        return "The first run of its cell."
    side = "above" if newest.others_pct >= 0.0 else "below"
    others = "the other run" if newest.n_others == 1 else f"the mean of the other {newest.n_others} runs"
    return f"{abs(newest.others_pct):.1f} % {side} {others} of its cell."


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
