"""The summary of a review on a terminal, and the coverage matrix."""

from __future__ import annotations

from collections.abc import Sequence

from frametime.caveats import Weight
from frametime.errors import printable
from frametime.render.caveat_groups import PlacedCaveat, caveat_groups, group_words, placed_caveats
from frametime.render.review_words import (
    CHANCE_STORY,
    MAY_BE_CHANCE,
    cell_name,
    change_words,
    coverage_sentence,
    coverage_words,
    mean_words,
    money_words,
    verdict_words,
)
from frametime.render.terminal_text import text_table, wrapped
from frametime.review.result import Coverage, ReviewResult
from frametime.words import joined

WIDTH = 80


def review_text(result: ReviewResult, *, details_in: str = "report.md") -> str:
    """A page of plain text: the paragraphs, the order of the cards, the cells, and what to care about.

    Parameters
    ----------
    result : ReviewResult
    details_in : str
        Name of the file that has every caveat by itself.
    """
    parts = [printable(result.title), "=" * min(WIDTH, len(printable(result.title))), ""]
    first = result.cuts[0]
    parts += [wrapped(result.paragraphs[first.key]), ""]
    parts += _standings(result)
    parts += _cells(result, details_in)
    if len(result.cuts) > 1:
        parts += _other_cuts(result)
    parts += _value(result)
    parts += _to_know(result, details_in)
    return "\n".join(parts).rstrip() + "\n"


def _standings(result: ReviewResult) -> list[str]:
    headline = result.metric(result.headline)
    rows = [["place", "card", headline.label, f"against {result.card(result.baseline).label}"]]
    for item in result.standings:
        if item.cut == result.cuts[0].key and item.metric == result.headline:
            change = "baseline" if item.card == result.baseline else change_words(item.ratio_to_baseline, item.interval)
            rows.append([item.place, result.card(item.card).label, mean_words(item, headline), change])
    note = f"{result.cuts[0].label}, geometric mean; interval: these scenes, 95 %; margin {result.margin * 100:g} %"
    return [*_table(rows), f"  ({note})", ""]


def _cells(result: ReviewResult, details_in: str) -> list[str]:
    lines: list[str] = []
    verdicts: list[str] = []
    for card in result.cards:
        rows = [
            [
                f"{result.scene(item.scene).label} {item.resolution}",
                change_words(item.ratio, item.interval_95),
                verdict_words(item) + (" *" if item.caveats else ""),
            ]
            for item in result.comparisons
            if item.metric == result.headline and item.candidate == card.key
        ]
        if rows:
            against = f"{card.label} against {result.card(result.baseline).label}"
            lines += [*_table([["cell", against, "verdict"], *rows]), ""]
            verdicts += [row[2] for row in rows]
    notes = [f"  * with caveats: see below and {details_in}"] if any(said.endswith("*") for said in verdicts) else []
    if any(MAY_BE_CHANCE in said for said in verdicts):
        notes.append(f"  {CHANCE_STORY}")
    return [*lines[:-1], *notes, ""] if notes else lines


def _other_cuts(result: ReviewResult) -> list[str]:
    rows = [["cut", "card", "against baseline", "verdict"]]
    for cut in result.cuts[1:]:
        for item in result.overall:
            if item.cut == cut.key and item.metric == result.headline:
                rows.append(
                    [
                        cut.label,
                        result.card(item.candidate).label,
                        change_words(item.ratio, item.interval_these_scenes),
                        item.verdict,
                    ]
                )
    return [*_table(rows), ""] if len(rows) > 1 else []


def _value(result: ReviewResult) -> list[str]:
    rows = [["card", "price", "speed for the money", "price for equal value"]]
    for row in result.value:
        if row.cut == result.cuts[0].key:
            is_base = row.card == result.baseline
            rows.append(
                [
                    result.card(row.card).label,
                    money_words(row.price, row.currency),
                    "baseline" if is_base else change_words(row.value_ratio, row.value_ratio_interval),
                    "" if is_base else money_words(row.break_even_price, row.currency, row.break_even_interval),
                ]
            )
    return [*_table(rows), ""] if any(row[0] != result.card(result.baseline).label for row in rows[1:]) else []


def _to_know(result: ReviewResult, details_in: str) -> list[str]:
    lines = [
        _bullet(f"left out by the plan: {item.run_name} ({printable(item.reason, limit=300)})")
        for item in result.exclusions
    ]
    lines += [_bullet(f"cannot be used: {item.error}") for item in result.unreadable]
    groups = caveat_groups(_weighty(result))
    lines += [_bullet(group_words(result, group)) for group in groups]
    lines.append(_bullet(coverage_sentence(result.coverage)))
    details = [f"  Each of these with its numbers: {details_in}."] if groups else []
    return ["To know:", *lines, *details]


def _weighty(result: ReviewResult) -> list[PlacedCaveat]:
    """Caveats that bear on a verdict by the headline metric; of means over cells, those over all cells."""
    return [
        item
        for item in placed_caveats(result)
        if item.caveat.weight is not Weight.NOTE
        and item.cut in ("", result.cuts[0].key)
        and (not item.caveat.metrics or result.headline in item.caveat.metrics)
    ]


def coverage_text(result: ReviewResult) -> str:
    """The matrix of usable runs, and the list of runs to make or make again with the reasons."""
    coverage = result.coverage
    cards = [card.key for card in result.cards]
    cells = {(cell.card, cell.scene, cell.resolution): cell for cell in coverage.cells}
    rows = [["usable of planned", *(result.card(card).label for card in cards)]]
    for scene, resolution in result.cuts[0].cells:
        found = [cells[card, scene, resolution] for card in cards]
        rows.append(
            [
                cell_name(result, scene, resolution),
                *(coverage_words(cell) + (" !" if cell.to_make else "") for cell in found),
            ]
        )
    lines = [printable(result.title), "", *_table(rows), "", *_runs_to_make(result, coverage)]
    return "\n".join(lines).rstrip() + "\n"


def _runs_to_make(result: ReviewResult, coverage: Coverage) -> list[str]:
    lines = [coverage_sentence(coverage)]
    alike: dict[tuple[str, str, str, str, str], list[str]] = {}
    for run in coverage.to_make:
        alike.setdefault((run.card, run.scene, run.resolution, run.reason, run.sentence), []).append(str(run.run))
    for (card, scene, resolution, reason, sentence), runs in alike.items():
        several = len(runs) > 1
        where = f"{result.card(card).label}, {cell_name(result, scene, resolution)}, run{'s' * several} {joined(runs)}"
        told = sentence.replace("this run", "these runs") if several else sentence
        lines.append(_bullet(f"{where}: {reason}. {told}"))
    # A card or scene with another name in the plan than in the paths looks like one without captures.
    lines += [_bullet(caveat.message) for caveat in result.caveats if caveat.code == "files-not-in-plan"]
    return lines


def _table(rows: Sequence[Sequence[str]]) -> list[str]:
    """The first row is the heading."""
    return text_table(rows[0], rows[1:], indent=2, rule=True).splitlines()


def _bullet(text: str) -> str:
    return wrapped(printable(text, limit=600), indent=2, bullet="- ")
