"""Runs: how well they repeat, which stand out, what to make, what was left out, and every one with its numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import Final

from frametime.caveats import Weight
from frametime.render.check_text import JUDGEMENT_ROLES
from frametime.render.review_words import CaveatGroup, coverage_words, labels_of, metric_heading, place_name, remarks
from frametime.render.tables import parts
from frametime.render.tables.table import Cell, Code, Column, Inline, Table
from frametime.review.result import GrubbsOutcome, Repeatability, ReviewResult, RunEntry
from frametime.words import joined

LONG: Final = 12
"""Rows of a table that is seen at a glance."""
_CARDS_WIDTH: Final = 54
"""Characters that the names of cards may take side by side in a terminal, right of scene and resolution."""
_BY_TEST: Final = {
    "ok": ("not more than chance", "no farther than chance"),
    "straggler": ("straggler, more than chance (5 %)", "straggler, farther than chance (5 %)"),
    "outlier": ("outlier, far more than chance (1 %)", "outlier, far beyond chance (1 %)"),
}
"""Outcome of a test in words: of the scatter of a cell (Cochran) and of the distance of a run (Grubbs)."""


def coverage_table(result: ReviewResult) -> Table:
    """Usable runs of those planned: a column for each card or, where their names are too long, each resolution."""
    cards = {cell.card: result.label(cell.card) for cell in result.coverage.cells}  # a shelf's are not made here
    is_by_card = sum(len(label) + 2 for label in cards.values()) <= _CARDS_WIDTH
    across, heads = ("card", cards) if is_by_card else ("resolution", {key: key for key in result.resolutions})
    left = [column for column in parts.columns_of("coverage") if column.key != across]
    columns = (*left, *(Column(key, label) for key, label in heads.items()))
    found: dict[tuple[str, ...], dict[str, object]] = {}
    for item in result.coverage.cells:
        at = tuple(getattr(item, column.key) for column in left)
        values = found.setdefault(at, {**labels_of(result, item), "resolution": item.resolution})
        values[getattr(item, across)] = f"{coverage_words(item)} !" if item.to_make else coverage_words(item)
    is_long = len(found) > LONG
    caption = parts.caption_of("coverage")
    if any(item.look == "leave" for item in result.coverage.cells):
        caption += " Leave it: the last look would not decide that cell."
    rows = tuple(parts.filled(columns, values) for values in found.values())
    folded_as = f"Usable runs of each cell ({len(found)} rows)" if is_long else None
    return Table("coverage", caption, columns, rows, is_long=is_long, folded_as=folded_as)


def repeatability_table(result: ReviewResult) -> Table:
    """How well the runs of each card repeat, by each metric."""

    def values(item: Repeatability) -> dict[str, object]:
        return {**labels_of(result, item, item.caveats, on="card"), **_cochran(result, item), **_grubbs(item.grubbs)}

    return parts.table_of("repeatability", result, values, is_long=len(result.repeatability) > LONG)


def _cochran(result: ReviewResult, item: Repeatability) -> dict[str, object]:
    if (found := item.cochran) is None:
        return {"cochran": parts.NOTHING}
    told = f"{result.scene(found.scene).label}, {found.resolution}: {_BY_TEST[found.outcome][0]}"
    statistic = parts.number(found.statistic, "cochran/statistic", digits=3)
    return {"cochran": parts.cell(f"{told}, Cochran's C = ", statistic, sort=found.statistic)}


def _grubbs(found: Sequence[GrubbsOutcome]) -> dict[str, object]:
    """One outcome for each cell that scatters too much."""
    content: list[Inline] = []
    for place, item in enumerate(found):
        content += [
            "; " if place else "",
            Code(text=item.run_name),
            f": {_BY_TEST[item.outcome][1]}, Grubbs's G = ",
            parts.number(item.statistic, f"grubbs/{place}/statistic", digits=5),
        ]
    return {"grubbs": Cell(content=tuple(content)) if content else parts.NOTHING}


def exclusion_table(result: ReviewResult) -> Table:
    """Runs that the plan leaves out."""
    rows = (
        (parts.code_cell(item.run_name), parts.code_cell(item.file_name), item.reason) for item in result.exclusions
    )
    return parts.words_table("exclusions", rows)


def unreadable_table(result: ReviewResult) -> Table:
    """Captures that cannot be used."""
    return parts.words_table(
        "unreadable", ((parts.code_cell(item.file_name), item.error) for item in result.unreadable)
    )


def to_make_table(result: ReviewResult) -> Table:
    """Runs to make or to repeat; runs of one cell with one reason share a row."""
    alike: dict[tuple[str, str, str, str, str], list[str]] = {}
    for item in result.coverage.to_make:
        alike.setdefault((item.card, item.scene, item.resolution, item.reason, item.sentence), []).append(str(item.run))
    rows = []
    for (card, scene, resolution, reason, sentence), runs in alike.items():
        of_card = parts.cell(result.label(card), data=card)
        of_scene = parts.cell(result.scene(scene).label, data=scene)
        rows.append((of_card, of_scene, resolution, parts.cell(joined(runs), data=len(runs)), reason, sentence))
    folded_as = f"Runs to make ({len(result.coverage.to_make)})" if len(rows) > LONG else None
    return replace(parts.words_table("to-make", rows, folded_as=folded_as), is_long=len(rows) > LONG)


@parts.once_a_result
def runs_table(result: ReviewResult) -> Table:
    """Every run by itself, with the metrics that the review compares; files add every other from the runs."""
    measured = {key for run in result.runs for key in run.values}
    keys = tuple(metric.key for metric in result.metrics if metric.key in measured)
    metrics = (Column(key, metric_heading(result, key), "number", origin=f"values/{key}") for key in keys)
    columns = (*parts.columns_of("runs-table"), *metrics)
    return parts.table_of("runs-table", result, partial(_run_values, keys=keys), columns=columns, is_long=True)


def _run_values(run: RunEntry, keys: Sequence[str]) -> dict[str, object]:
    judgement = parts.mark(run.judgement, JUDGEMENT_ROLES[run.judgement])
    told = (caveat for caveat in run.caveats if caveat.weight is not Weight.NOTE)
    return {
        "run_name": parts.code_cell(run.name, notes=parts.notes_of(told)),
        "file": run.provenance.file_name,
        "sha256": run.provenance.sha256,
        "judgement": parts.cell(judgement, *(f" {remark}" for remark in remarks(run)), data=run.judgement),
        "flag": None if run.flag is None else run.flag.sentence,
        "flag_grubbs": None if run.flag is None else run.flag.grubbs.outcome,
        "caveats": parts.codes(run.caveats),
        **{
            key: parts.cell(
                parts.number(run.values.get(key), f"values/{key}", reason=run.missing_reasons.get(key, "not measured"))
            )
            for key in keys
        },
    }


def card_table(result: ReviewResult) -> Table:
    """The cards and what they ran with."""
    rows = []
    for card in result.cards:
        role = "baseline" if card.is_baseline else "candidate"
        rows.append((card.label, role, card.settings or "not in the plan", card.driver or "not in the plan"))
    return parts.words_table("cards", rows)


_LONG_FILE_TABLE: Final = 20


def file_table(result: ReviewResult) -> Table:
    """The captures, so that anyone can check that they are the same."""
    is_long = len(result.runs) > _LONG_FILE_TABLE
    folded_as = f"All {len(result.runs)} files with their checksums" if is_long else None
    return parts.table_of("files", result, _file_values, is_long=is_long, folded_as=folded_as)


def _file_values(run: RunEntry) -> dict[str, object]:
    made = run.provenance
    texts = {"file": made.file_name, "adapter": made.adapter, "sha256": made.sha256}
    numbers = {name: getattr(made, name) for name in ("size_bytes", "rows_read", "rows_rejected")}
    return {**{key: parts.code_cell(text) for key, text in texts.items()}, **numbers}


def caveat_table(result: ReviewResult, groups: Sequence[CaveatGroup]) -> Table:
    """Every caveat by itself; the same words about the same place by several metrics are one row."""
    told = dict.fromkeys(
        (place_name(result, item), group.title, item.caveat.weight.value, item.caveat.message)
        for group in groups
        for item in group.members
    )
    return parts.words_table("every-caveat", told, folded_as=f"Every caveat by itself ({len(told)})")
