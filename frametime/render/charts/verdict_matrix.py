"""Matrix of the cells: the verdict by shape, place and color, with the number."""

from __future__ import annotations

from typing import Final

from matplotlib.figure import Figure

from frametime.render.charts.chart_sheet import Sheet
from frametime.render.charts.review_labels import (
    OUTSIDE,
    OUTSIDE_NOTE,
    Cell,
    comparisons_of,
    outside_overall,
    overall_of,
    page_of,
    page_words,
    pages_of,
    pair_title,
    run_counts,
    verdict_key,
    verdict_mark,
)
from frametime.render.charts.text_fit import shorten, text_width_pt
from frametime.render.charts.theme import Theme
from frametime.render.review_words import change_words
from frametime.review.result import ReviewResult
from frametime.review.result_tables import CellComparison
from frametime.words import counted, joined, percent_change, percent_change_range

MOST_SCENES: Final = 15
"""Rows of one block."""

MOST_NAMED: Final = 3
"""Cells that a note names; of more it says how many."""

_CELL_EM: Final = 9.6
_NARROW_CELL_EM: Final = 8.8
_NUMBER_EM: Final = 5.4
_NUMBERS_EM: Final = 14.5
_LEAST_LABEL_EM: Final = 9.0
_MOST_ROW_EM: Final = 8.0
_TWO_LINES_EM: Final = 3.5
_LARGE_TIMES: Final = 1.5
_SLOTS: Final = {"behind": -1.0, "tied": 0.0, "ahead": 1.0}


def matrix_pages(result: ReviewResult, theme: Theme) -> list[tuple[tuple[str, ...], tuple[str, ...]]]:
    """Keys of the scenes on each page, and its resolutions.

    There are as many blocks of rows side by side as the resolutions leave room for, and on a narrow page no more
    resolutions than fit.
    """
    wide_em = theme.size.width_pt / theme.em_pt - 3.2
    most = len(result.resolutions)
    if theme.is_narrow:
        most = min(most, int((wide_em - _LEAST_LABEL_EM) / _NARROW_CELL_EM))
    blocks = max(1, int((wide_em + 2.0) / (_LEAST_LABEL_EM + _CELL_EM * most + 2.0)))
    keys = [(scene.key, "") for scene in result.scenes]
    columns = [tuple(result.resolutions[start : start + most]) for start in range(0, len(result.resolutions), most)]
    return [
        (tuple(key for key, _ in page), resolutions)
        for resolutions in columns
        for page in pages_of(keys, MOST_SCENES * blocks)
    ]


def draw_verdict_matrix(
    result: ReviewResult, theme: Theme, *, candidate: str, metric: str | None = None, page: int = 0
) -> Figure:
    """Every cell of a candidate: scenes as rows, resolutions as columns.

    Parameters
    ----------
    result : ReviewResult
    theme : Theme
    candidate : str
        Key of the card.
    metric : str or None
        Key; the headline metric by default.
    page : int
        From 0; many scenes are drawn on several pages.

    Raises
    ------
    ValueError
        If there is no such page.
    """
    metric = result.headline if metric is None else metric
    pages = matrix_pages(result, theme)
    shown = page_of(pages, page)
    comparisons = comparisons_of(result, candidate, metric)
    entry = result.metric(metric)
    overall = overall_of(result, candidate, metric, result.cuts[0].key)
    lead = "no cell with runs on both sides" if overall is None else overall.counts.in_words
    outside = outside_overall(result, candidate, [result.cuts[0].key]) & comparisons.keys()
    n_without = len(set(result.cuts[0].cells) - comparisons.keys())
    if n_without < len(result.cuts[0].cells):
        lead += f"; {len(outside)} (*) not counted" if outside else ""
        lead += f"; {n_without} without runs on both sides" if n_without else ""
    n_runs = run_counts(
        [number for item in comparisons.values() for number in (item.candidate_n_runs, item.baseline_n_runs)]
    )
    with theme.settings():
        sheet = Sheet(
            theme,
            title=pair_title(result, candidate, f", cell by cell{page_words(page, len(pages))}", theme, overall),
            lead=f"{entry.label}: {lead}",
            notes=[
                f"Difference to the baseline (0 %) from {n_runs} of each card in a cell, with its 95 % interval; "
                f"{entry.better} is better. Margin: {result.margin * 100.0:g} %.",
                OUTSIDE_NOTE if outside else "",
                *_chance_note(result, comparisons),
            ],
            full=[
                f"{entry.definition} Ahead: the 95 % interval lies beyond 0 % on the better side and the difference "
                "beyond the margin; behind likewise on the worse side; tied: the 90 % interval lies within the margin; "
                "else undecided. The mark stands to the right where the candidate does better, to the left where it "
                "does worse."
            ],
        )
        sheet.key(verdict_key(theme.palette))
        _blocks(sheet, result, *shown, comparisons, outside)
        return sheet.figure


def _chance_note(result: ReviewResult, comparisons: dict[tuple[str, str], CellComparison]) -> list[str]:
    """Cells that are ahead or behind, but not surely enough among so many."""
    cells = [
        f"{result.scene(scene).label} at {resolution}"
        for (scene, resolution), item in comparisons.items()
        if item.stands_after_holm is False
    ]
    if not cells:
        return []
    named = joined(cells) if len(cells) <= MOST_NAMED else counted(len(cells), "cell")
    return [f"Not enough runs to name single cells here: {named}."]


def _blocks(
    sheet: Sheet,
    result: ReviewResult,
    scenes: tuple[str, ...],
    resolutions: tuple[str, ...],
    comparisons: dict[Cell, CellComparison],
    outside: frozenset[Cell],
) -> None:
    em = sheet.em
    n_blocks = -(-len(scenes) // MOST_SCENES)
    per_block = -(-len(scenes) // n_blocks)
    gap = 2.0 * em
    room = (sheet.width - gap * (n_blocks - 1)) / n_blocks
    labels = [result.scene(key).label for key in scenes]
    n_columns = len(resolutions)
    wanted = max(text_width_pt(shorten(label, 30.0 * em, em), em) for label in labels) + 0.8 * em
    label_width = min(wanted, max(room - _CELL_EM * em * n_columns, _LEAST_LABEL_EM * em))
    cell_width = min((room - label_width) / n_columns, 26.0 * em)
    top = sheet.top - 1.6 * em
    row = min((top - sheet.bottom - 0.6 * em) / per_block, _MOST_ROW_EM * em)
    for block in range(n_blocks):
        left = sheet.left + block * (room + gap)
        for column, resolution in enumerate(resolutions):
            x = left + label_width + (column + 0.5) * cell_width
            sheet.text(x, top + 0.8 * em, shorten(resolution, 0.9 * cell_width, em, bold=True), bold=True, ha="center")
        for place, key in enumerate(scenes[block * per_block : (block + 1) * per_block]):
            y = top - (place + 0.5) * row
            sheet.text(left, y, shorten(result.scene(key).label, label_width - 0.6 * em, em))
            for column, resolution in enumerate(resolutions):
                box = (left + label_width + column * cell_width, y - row / 2.0, cell_width, row)
                _cell(
                    sheet,
                    box,
                    comparisons.get((key, resolution)),
                    result,
                    OUTSIDE if (key, resolution) in outside else "",
                )


def _cell(
    sheet: Sheet, box: tuple[float, float, float, float], item: CellComparison | None, result: ReviewResult, star: str
) -> None:
    theme, em = sheet.theme, sheet.em
    palette = theme.palette
    left, bottom, width, height = box
    inset = 0.12 * em
    grounds = {"ahead": palette.ahead_ground, "behind": palette.behind_ground, "tied": palette.tied_ground}
    known = item is not None and item.ratio is not None
    sheet.box(
        left + inset,
        bottom + inset,
        width - 2.0 * inset,
        height - 2.0 * inset,
        facecolor=grounds.get(item.verdict, "none") if item is not None and known else "none",
        edgecolor=palette.rule,
        linewidth=theme.hair_pt,
        zorder=0,
    )
    y = bottom + height / 2.0
    if item is None or item.ratio is None:
        sheet.text(left + 0.8 * em, y, "not compared" if item is None else "n/a", color=palette.muted)
        return
    number_end, y = _numbers(sheet, box, item, star)
    mark = verdict_mark(item.verdict, palette)
    slot = _SLOTS.get(item.verdict, _leaning(item, result))
    middle = (number_end + left + width) / 2.0
    x = middle + slot * min(1.25 * em, (left + width - number_end) / 2.0 - 0.95 * em)
    sheet.mark(
        x,
        y,
        mark.marker,
        mark.face if item.verdict != "undecided" else "none",
        edge=mark.color,
        size=0.72 if height < _TWO_LINES_EM * em else 0.95,
        gid=f"verdict-{item.scene}-{item.resolution}",
    )


def _numbers(
    sheet: Sheet, box: tuple[float, float, float, float], item: CellComparison, star: str
) -> tuple[float, float]:
    """The difference, and its interval where there is room; gives where the first line ends and how high it is."""
    em, muted = sheet.em, sheet.theme.palette.muted
    left, bottom, width, height = box
    start, y = left + 0.8 * em, bottom + height / 2.0
    assert item.ratio is not None
    number = percent_change(item.ratio) + star
    span = "no interval" if item.interval_95 is None else percent_change_range(item.interval_95)
    number_pt = _LARGE_TIMES * em
    needed = max(text_width_pt(number, number_pt, bold=True) + 3.4 * em, text_width_pt(span, em)) + 1.2 * em
    if height >= _TWO_LINES_EM * em and needed <= width:
        sheet.text(start, y - 0.85 * em, span, color=muted)
        sheet.text(start, y + 0.6 * em, number, size_pt=number_pt, bold=True)
        return left + max(0.5 * width, width - 5.0 * em), y + 0.6 * em
    if width >= (_NUMBERS_EM + 4.0) * em:
        sheet.text(start, y, change_words(item.ratio, item.interval_95) + star)
        return left + _NUMBERS_EM * em, y
    sheet.text(left + _NUMBER_EM * em, y, number, ha="right")
    return left + _NUMBER_EM * em, y


def _leaning(item: CellComparison, result: ReviewResult) -> float:
    """Where an undecided cell leans: to the side on which its estimate lies beyond the margin."""
    assert item.ratio is not None
    better = 1.0 / item.ratio if result.metric(item.metric).better == "lower" else item.ratio
    if better > 1.0 + result.margin:
        return 1.0
    return -1.0 if better < 1.0 / (1.0 + result.margin) else 0.0
