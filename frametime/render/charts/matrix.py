"""Matrix of the cells: the verdict by shape, place and color, with the number."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from frametime.render.charts.chart_sheet import Chart, Sheet
from frametime.render.charts.review_view import OUTSIDE, PagedChart, ReviewView, VerdictMark, even_parts, verdict_mark
from frametime.render.charts.text_fit import shorten, text_width_pt
from frametime.render.numbers import NOT_AVAILABLE
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


class MatrixCell(NamedTuple):
    """A number with its interval in words on a ground, and a mark at a place from -1 (left) to 1; without it words."""

    number: str
    span: str = ""
    mark: VerdictMark | None = None
    place: float = 0.0
    ground: str = "none"
    gid: str = ""


@dataclass(frozen=True, kw_only=True)
class Matrix:
    """Rows of cells below their columns, in blocks side by side."""

    columns: Sequence[str]
    rows: Sequence[tuple[str, Sequence[MatrixCell]]]
    least_em: float = 0.0

    def draw(self, sheet: Sheet) -> None:
        """Block by block from the left."""
        em, gap = sheet.em, 2.0 * sheet.em
        n_blocks = -(-len(self.rows) // MOST_SCENES)
        per_block = -(-len(self.rows) // n_blocks)
        room = (sheet.width - gap * (n_blocks - 1)) / n_blocks
        widest = max((min(text_width_pt(label, em), 30.0 * em) for label, _ in self.rows), default=0.0)
        label_width = min(widest + 0.8 * em, max(room - _CELL_EM * em * len(self.columns), _LEAST_LABEL_EM * em))
        width = min((room - label_width) / len(self.columns), 26.0 * em)
        top = sheet.top - 1.6 * em
        row = min((top - sheet.bottom - 0.6 * em) / per_block, _MOST_ROW_EM * em)
        for block in range(n_blocks):
            left = sheet.left + block * (room + gap)
            for column, name in enumerate(self.columns):
                x = left + label_width + (column + 0.5) * width
                sheet.text(x, top + 0.8 * em, shorten(name, 0.9 * width, em, bold=True), bold=True, ha="center")
            for place, (label, cells) in enumerate(self.rows[block * per_block : (block + 1) * per_block]):
                bottom = top - (place + 1) * row
                sheet.text(left, bottom + row / 2.0, shorten(label, label_width - 0.6 * em, em))
                for column, cell in enumerate(cells):
                    _draw_cell(sheet, (left + label_width + column * width, bottom, width, row), cell)


def _draw_cell(sheet: Sheet, box: tuple[float, float, float, float], cell: MatrixCell) -> None:
    """The difference, and its interval where there is room: below it, or beside it."""
    palette, em = sheet.theme.palette, sheet.em
    left, bottom, width, height = box
    inset = 0.12 * em
    look = {"facecolor": cell.ground, "edgecolor": palette.rule, "linewidth": sheet.theme.hair_pt, "zorder": 0}
    sheet.box(left + inset, bottom + inset, width - 2.0 * inset, height - 2.0 * inset, **look)
    start, y = left + 0.8 * em, bottom + height / 2.0
    if cell.mark is None:
        sheet.text(start, y, cell.number, color=palette.muted)
        return
    number_pt = _LARGE_TIMES * em
    needed = max(text_width_pt(cell.number, number_pt, bold=True) + 3.4 * em, text_width_pt(cell.span, em)) + 1.2 * em
    end = left + _NUMBER_EM * em
    is_tall = height >= _TWO_LINES_EM * em
    if is_tall and needed <= width:
        sheet.text(start, y - 0.85 * em, cell.span, color=palette.muted)
        y += 0.6 * em
        end = left + max(0.5 * width, width - 5.0 * em)
        sheet.text(start, y, cell.number, size_pt=number_pt, bold=True)
    elif width >= (_NUMBERS_EM + 4.0) * em:
        end = left + _NUMBERS_EM * em
        number, star = cell.number.removesuffix(OUTSIDE), OUTSIDE if cell.number.endswith(OUTSIDE) else ""
        sheet.text(start, y, f"{number} ({cell.span}){star}")
    else:
        sheet.text(end, y, cell.number, ha="right")
    x = (end + left + width) / 2.0 + cell.place * min(1.25 * em, (left + width - end) / 2.0 - 0.95 * em)
    face, size = cell.mark.face, 0.95 if is_tall else 0.72
    sheet.mark(x, y, cell.mark.marker, face, edge=cell.mark.color, size=size, gid=cell.gid)


MatrixPage = tuple[slice, tuple[str, ...]]


def _pages(view: ReviewView, **_: str | None) -> list[MatrixPage]:
    """Scenes on each page, and its resolutions.

    There are as many blocks of rows side by side as the resolutions leave room for, and on a narrow page no more
    resolutions than fit.
    """
    theme, every = view.theme, view.result.resolutions
    wide_em = theme.size.width_pt / theme.em_pt - 3.2
    most = min(len(every), int((wide_em - _LEAST_LABEL_EM) / _NARROW_CELL_EM)) if theme.is_narrow else len(every)
    blocks = max(1, int((wide_em + 2.0) / (_LEAST_LABEL_EM + _CELL_EM * most + 2.0)))
    scenes = even_parts(len(view.result.scenes), MOST_SCENES * blocks)
    return [(part, every[start : start + most]) for start in range(0, len(every), most) for part in scenes]


def _matrix(view: ReviewView, page: MatrixPage, *, candidate: str, metric: str | None = None) -> Chart:
    (shown, resolutions), result = page, view.result
    entry, cut = view.metric(metric), result.cuts[0]
    compared, overall = view.compared(candidate, entry.key), view.overall(candidate, entry.key)
    outside = view.outside(candidate, cut.key) & compared.keys()
    n_without = len(set(cut.cells) - compared.keys())
    counts = ["no cell with runs on both sides" if overall is None else overall.counts.in_words]
    if n_without < len(cut.cells):
        counts += [f"{len(outside)} (*) not counted"] if outside else []
        counts += [f"{n_without} without runs on both sides"] if n_without else []
    unsure = [cell for cell, item in compared.items() if item.stands_after_holm is False]
    doubtful = [result.cell_label(*cell) for cell in unsure]
    values = {
        "pair": view.pair("matrix", candidate, entry.key),
        "counts": "; ".join(counts),
        "if_outside": bool(outside),
        "doubtful": counted(len(doubtful), "cell") if len(doubtful) > MOST_NAMED else joined(doubtful) or None,
    }
    rows = []
    for scene in result.scenes[shown]:
        cells = [(scene.key, resolution) for resolution in resolutions]
        rows.append((scene.label, [_cell(view, compared.get(cell), is_outside=cell in outside) for cell in cells]))
    return Chart(kind="matrix", values=values, body=Matrix(columns=resolutions, rows=rows))


def _cell(view: ReviewView, item: CellComparison | None, *, is_outside: bool) -> MatrixCell:
    if item is None or item.ratio is None:
        return MatrixCell("not compared" if item is None else NOT_AVAILABLE)
    palette, limit = view.theme.palette, 1.0 + view.result.margin
    # An undecided cell leans to the side on which its estimate lies beyond the margin.
    better = 1.0 / item.ratio if view.metric(item.metric).better == "lower" else item.ratio
    leaning = 1.0 if better > limit else -1.0 if better < 1.0 / limit else 0.0
    mark = verdict_mark(item.verdict, palette)
    return MatrixCell(
        number=percent_change(item.ratio) + (OUTSIDE if is_outside else ""),
        span="no interval" if item.interval_95 is None else percent_change_range(item.interval_95),
        mark=mark if item.verdict != "undecided" else mark._replace(face="none"),
        place=_SLOTS.get(item.verdict, leaning),
        ground=getattr(palette, f"{item.verdict}_ground", "none"),
        gid=f"verdict-{item.scene}-{item.resolution}",
    )


draw_verdict_matrix: Final = PagedChart(_pages, _matrix)
"""Every cell of a ``candidate`` by a ``metric`` (the headline by default): scenes as rows, resolutions as columns."""
