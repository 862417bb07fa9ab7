"""A review on a terminal: its summary on a page, the matrix of coverage, the newest run, and the order of runs."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import groupby
from typing import Final

from frametime.caveats import Weight
from frametime.errors import printable
from frametime.lab.sessions import OrderQuality, Step
from frametime.metrics.metric import MeasuredRun
from frametime.render.check_text import JUDGEMENT_ROLES, Style, unstyled
from frametime.render.numbers import format_quantity
from frametime.render.review_words import (
    PlacedCaveat,
    caveat_groups,
    coverage_sentence,
    group_words,
    look_words,
    metric_heading,
    placed_caveats,
)
from frametime.render.tables.review_comparisons import APART, overall_table, standings_of, standings_table, value_table
from frametime.render.tables.review_runs import coverage_table, to_make_table
from frametime.render.tables.table import Row, Table
from frametime.render.terminal_text import WIDTH, table_text, text_table, wrapped
from frametime.review.design import ReviewDesign
from frametime.review.result import Coverage, ReviewResult, RunEntry, RunToMake, UnreadableFile
from frametime.review.reviewing import NewestRun
from frametime.review.run_set import PlacedRun
from frametime.words import counted

MOST_LINES: Final = 60
"""A page of a terminal: what does not fit is in the files."""
_MOST_PARAGRAPH, _MOST_CARDS, _MOST_ROWS, _MOST_BULLET = 10, 12, 5, 4
_FEW_CARDS: Final = 3
_TOLD_ABOVE: Final = frozenset({"run-to-repeat", "missing-cells"})
"""Caveats that the paragraph or the line of what to repeat has told already."""


def review_text(result: ReviewResult, *, details_in: str = "report.md") -> str:
    """A page of plain text: who is fastest, the order of the cards, the cuts, what to repeat and what is missing.

    Parameters
    ----------
    result : ReviewResult
    details_in : str
        Name of the file that has everything else.
    """
    title = textwrap.shorten(printable(result.title), WIDTH, placeholder=" ...")
    paragraph = wrapped(printable(result.paragraphs[result.cuts[0].key], limit=4000)).splitlines()
    lines = [title, "=" * len(title), "", *_capped(paragraph, _MOST_PARAGRAPH), ""]
    lines += _standings(result) + _cuts(result) + _value(result)
    last = f"All the rest, every cell and every run, with its numbers: {details_in}."
    lines += ["To know:", *_to_know(result, MOST_LINES - len(lines) - 3), "", last]
    return "\n".join(lines) + "\n"


def _capped(lines: Sequence[str], most: int) -> list[str]:
    if len(lines) <= most:
        return list(lines)
    return [*lines[: most - 1], f"{lines[most - 1][: WIDTH - 4]} ..."]


def _table(table: Table, most: int, *, what: str) -> list[str]:
    """A table of so many rows at most, and how many there are more."""
    rest = len(table.rows) - most
    lines = table_text(table, most=most).splitlines()
    more = [f"  ... and {counted(rest, f'more {what}')}"] if rest > 0 else []
    return [*lines, *more, ""]


def _standings(result: ReviewResult) -> list[str]:
    lines: list[str] = []
    for table in standings_of(result, standings_table(result), result.cuts[0].key, key="standings"):
        mean = metric_heading(result, result.headline)
        labels = {"mean_value": mean, "place": "Place", "ratio_to_baseline": f"Against {result.label(result.baseline)}"}
        columns = ("place", "card", "mean_value") if table.has("place") else APART[:3]
        shown = table.view(*columns, ("ratio_to_baseline", "interval"), "n_cells", labels=labels).without_comparison()
        interval = f" Interval: these scenes, 95 %; margin {result.margin * 100:g} %." if len(result.cards) > 1 else ""
        caption = wrapped(f"{table.caption}{interval}", indent=2)
        lines += [*_table(shown, _MOST_CARDS, what="card")[:-1], *_capped(caption.splitlines(), 3), ""]
    return lines


def _cuts(result: ReviewResult) -> list[str]:
    """The other cuts: of each the cards that the review is about, or both of two candidates, else the best placed."""
    table, first = overall_table(result), result.cuts[0].key
    about = result.subject or (tuple(c.key for c in result.cards) if len(result.cards) <= _FEW_CARDS else ())
    best: dict[str, str] = {}
    for item in result.standings:
        if item.metric == result.headline and item.card != result.baseline:
            best.setdefault(item.cut, item.card)

    def is_shown(row: Row) -> bool:
        cut, card = table.exact(row, "cut"), table.exact(row, "card")
        return cut != first and (card in about or (not about and card == best.get(str(cut))))

    chosen = table.where(is_shown, metric=result.headline)
    shown = chosen.view("cut", "card", ("ratio", "interval_these_scenes"), "verdict")
    # The mark and its word alone: what goes with a verdict is in the files, and a line has 80 columns.
    marks = [replace(row.cells[-1], content=row.cells[-1].content[:1]) for row in shown.rows]
    rows = (replace(row, cells=(*row.cells[:-1], mark)) for row, mark in zip(shown.rows, marks, strict=True))
    most = 2 * _MOST_ROWS if len(result.cards) <= _FEW_CARDS else _MOST_ROWS
    return _table(replace(shown, rows=tuple(rows)), most, what="row") if shown.rows else []


def _value(result: ReviewResult) -> list[str]:
    table = value_table(result)
    # A card that stands apart has its value on other cells: it is in the files, with the baseline there.
    chosen = table.where(cut=result.cuts[0].key, stands_apart=False)
    if len(chosen.rows) < 2:
        return []
    # The best value first; of many cards the others are in the files.
    best = sorted(chosen.rows, key=lambda row: -float(table.exact(row, "fps_per_money") or 0.0))
    currency = next((row.currency for row in result.value if row.currency), "money")
    shown = replace(chosen, rows=tuple(best)).view(
        *("card", "price", "fps_per_money"),
        ("value_ratio", "value_ratio_interval"),
        "break_even_price",
        labels={
            **{"price": currency, "fps_per_money": f"fps/{currency}"},
            **{"value_ratio": "Speed for the money", "break_even_price": "Breaks even at"},
        },
    )
    return _table(shown, _MOST_ROWS, what="card")


def _to_know(result: ReviewResult, room: int) -> list[str]:
    """What is missing and what to repeat, then what else bears on the verdict, as far as there is room."""
    # Runs of other sessions are not made again.
    flagged = [run for run in result.runs if run.flag and not run.excluded_reason and run.session is None]
    told = [
        coverage_sentence(result.coverage),
        *_one_of("Repeat", (f"{_place(result, run)}. {run.flag.sentence}" for run in flagged if run.flag)),
        *_one_of("Cannot be used", (f"{item.error}." for item in result.unreadable)),
        *_one_of("Left out by the plan", (f"{item.run_name} ({item.reason})" for item in result.exclusions)),
        *(group_words(result, group) for group in caveat_groups(_weighty(result))),
    ]
    lines: list[str] = []
    bullets = [_bullet(text).splitlines() for text in told]
    if sum(map(len, bullets)) > room:
        bullets = [_capped(bullet, _MOST_BULLET) for bullet in bullets]
    for number, bullet in enumerate(bullets):
        if len(lines) + len(bullet) > room - (number < len(told) - 1):
            return [*lines, f"  ... and {counted(len(told) - number, 'more thing')} to know"]
        lines += bullet
    return lines


def _one_of(what: str, texts: Iterable[str]) -> list[str]:
    """All of one kind in one sentence: their number, and one example."""
    found = list(texts)
    if not found:
        return []
    return [f"{what}: {found[0]}" if len(found) == 1 else f"{what} ({len(found)}), for example: {found[0]}"]


def _weighty(result: ReviewResult) -> list[PlacedCaveat]:
    """Caveats that bear on a verdict by the headline metric; of means over cells, those over all cells.

    And hitches that recur, which a player feels whatever the averages say, and cards of another session.
    """
    return [
        item
        for item in placed_caveats(result)
        if (item.caveat.weight is not Weight.NOTE or item.caveat.code in ("recurring-hitches", "session-shift"))
        and item.caveat.code not in _TOLD_ABOVE
        and item.cut in ("", result.cuts[0].key)
        and (not item.caveat.metrics or result.headline in item.caveat.metrics)
    ]


def coverage_text(result: ReviewResult) -> str:
    """The matrix of usable runs, and the list of runs to make or repeat with the reasons."""
    lines = [printable(result.title), "", table_text(coverage_table(result)), "", coverage_sentence(result.coverage)]
    table = to_make_table(result)
    for row in table.rows:
        card, scene, resolution, runs, reason, sentence = (str(cell.content[0]) for cell in row.cells)
        run = "run" if row.cells[3].data == 1 else "runs"
        lines.append(_bullet(f"{card}, {scene} at {resolution}, {run} {runs}: {reason}. {sentence}"))
    # A card or scene with another name in the plan than in the paths looks like one without captures.
    lines += [_bullet(caveat.message) for caveat in result.caveats if caveat.code == "files-not-in-plan"]
    return "\n".join(lines).rstrip() + "\n"


def _bullet(text: str) -> str:
    return wrapped(printable(text, limit=2000), indent=2, bullet="- ")


_LOOKS = {"decided": "This cell is decided.", "leave": "The last look would not decide this cell: leave it."}
_MORE_KEYS = ("average_power_w", "peak_temperature_c")


def newest_run_text(design: ReviewDesign, newest: NewestRun, *, style: Style = unstyled) -> str:
    """Judgement, numbers, how it lies beside the others of its cell, and which run comes next; four lines."""
    run = newest.run
    place = _place(design, run)
    if not isinstance(run, PlacedRun):
        lines = [f"{place}: {style('cannot be used', 'bad')}", wrapped(printable(run.error, limit=2000), indent=2)]
    else:
        word, reasons = run.measured.judgement.word, "; ".join(run.measured.judgement.reasons)
        lines = [
            f"{place}: {style(word, JUDGEMENT_ROLES[word])}" + (f": {reasons}" if reasons else ""),
            f"  {_numbers(design, run.measured)}",
            f"  {_beside_others(newest, style)}",
        ]
    own = next(cell for cell in newest.coverage.cells if cell.place == run.place)
    if own.look is not None:
        lines[-1] += f" {_LOOKS.get(own.look) or f'This cell: {look_words(own)}.'}"
    is_swap = newest.next_run is not None and newest.next_run.card != run.card
    following = "Swap cards. " * is_swap + next_run_text(design, newest.coverage, newest.next_run)
    return "\n".join([*lines, following]) + "\n"


def next_run_text(design: ReviewDesign, coverage: Coverage, next_run: RunToMake | None) -> str:
    """Which run comes next and how many are left, on one line."""
    if next_run is None:
        return f"Complete: every cell has its runs ({coverage.n_usable} usable)."
    n_left, n_same = len(coverage.to_make), sum(run.card == next_run.card for run in coverage.to_make)
    again = "" if next_run.reason == "missing" else " again"
    left = f"{counted(n_left, 'run')} left" + (f", {n_same} of them on this card" if n_same < n_left else "")
    return f"Next: {_place(design, next_run)}{again} ({left})"


def _place(of: ReviewDesign | ReviewResult, run: PlacedRun | UnreadableFile | RunEntry | RunToMake) -> str:
    return printable(f"{of.label(run.card)}, {of.cell_label(run.scene, run.resolution)}, run {run.run}")


def _numbers(design: ReviewDesign, run: MeasuredRun) -> str:
    """The metrics of the review, then power and heat where they were measured."""
    shown = {metric.key: (f"{metric.label} ", metric.unit, 4) for metric in design.metrics}
    shown |= {key: ("", run.values[key].unit, 3) for key in _MORE_KEYS if key in run.values and key not in shown}
    values = {key: run.values[key].value for key in shown if key in run.values}
    return "; ".join(
        f"{label}{format_quantity(values[key], unit, digits=digits)}"
        for key, (label, unit, digits) in shown.items()
        if values.get(key) is not None
    )


def _beside_others(newest: NewestRun, style: Style) -> str:
    if newest.flag is not None:
        return f"{style('Repeat this run', 'bad')}: {newest.flag.sentence}"
    if newest.left_out is not None:
        return printable(f"The plan leaves it out: {newest.left_out}", limit=2000)
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
        [">" * (place == at), str(one.n_swaps), f"{one.hours:.1f}", f"{one.left_whole:.2f} %", f"{one.left_cell:.2f} %"]
        for place, one in enumerate(found)
    ]
    right = frozenset(range(1, len(heading)))
    lines = [printable(design.title), "", text_table(heading, rows, right=right), "", wrapped(_EXPLAINED), ""]
    for number, (_, stint) in enumerate(groupby(steps, key=lambda step: step.stint), 1):
        runs = list(stint)
        hours, minutes = divmod(round(runs[0].start_min), 60)
        lines.append(f"{number}. Put in {printable(design.label(runs[0].card))} ({hours}:{minutes:02d} h)")
        lines += [f"   [ ] {printable(design.cell_label(run.scene, run.resolution))}, run {run.run}" for run in runs]
        lines.append("")
    return "\n".join(lines)
