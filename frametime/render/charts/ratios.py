"""Candidate over baseline in every cell, with interval, margin and the overall ratio at the foot; one panel a cut."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.markers import CARETLEFT, CARETRIGHT

from frametime.render.charts.axis_scales import ratio_limits, set_ratio_scale
from frametime.render.charts.chart_sheet import KeyEntry, Sheet, dots, whisker, x_caption
from frametime.render.charts.review_labels import (
    OUTSIDE,
    OUTSIDE_NOTE,
    Cell,
    cell_label,
    cells_words,
    comparisons_of,
    outside_overall,
    overall_of,
    page_of,
    page_words,
    pages_of,
    pair_title,
    run_counts,
    short_card,
    verdict_key,
    verdict_mark,
)
from frametime.render.charts.text_fit import shorten, text_width_pt, wrap
from frametime.render.charts.theme import Theme
from frametime.render.review_words import change_words
from frametime.review.result import ReviewResult
from frametime.review.result_tables import Verdict
from frametime.statistics.differences import Interval
from frametime.words import counted, percent_change

MOST_CUTS: Final = 3
"""Panels of one figure; the first is that of all cells."""

_ROW_EM: Final = 1.3
_GAP_EM: Final = 1.3
_FOOT_ROWS: Final = 4.9


def draw_ratios(
    result: ReviewResult,
    theme: Theme,
    *,
    candidate: str,
    metric: str | None = None,
    cuts: Sequence[str] | None = None,
    page: int = 0,
) -> Figure:
    """Ratio of the candidate to the baseline, cell by cell and over all.

    Parameters
    ----------
    result : ReviewResult
    theme : Theme
    candidate : str
        Key of the card.
    metric : str or None
        Key; the headline metric by default.
    cuts : sequence of str or None
        Keys of the cuts to show, one panel each; the first three of the review by default.
    page : int
        From 0: more than sixteen cells are drawn on several pages.

    Raises
    ------
    ValueError
        If there is no such page, or there are more cuts than fit.
    """
    metric = result.headline if metric is None else metric
    most = most_cuts(theme)
    shown = tuple(cut.key for cut in result.cuts[:most]) if cuts is None else tuple(cuts)
    if not 1 <= len(shown) <= most:
        raise ValueError(f"cuts must name 1 to {most} cuts, got {len(shown)!r}")
    pages = ratio_pages(result, shown)
    rows = page_of(pages, page)
    with theme.settings():
        return _Ratios(result, theme, candidate, metric, shown, rows).draw(page_words(page, len(pages)))


def ratio_pages(result: ReviewResult, cuts: Sequence[str]) -> list[tuple[Cell, ...]]:
    """Cells of each figure that shows these cuts."""
    return pages_of([cell for cell in result.cuts[0].cells if any(cell in result.cut(key).cells for key in cuts)])


def most_cuts(theme: Theme) -> int:
    """Panels of one figure: a narrow one has room for a single one."""
    return 1 if theme.is_narrow else MOST_CUTS


class _Ratios:
    """One figure of ratios: what its panels share."""

    def __init__(
        self,
        result: ReviewResult,
        theme: Theme,
        candidate: str,
        metric: str,
        cuts: tuple[str, ...],
        rows: tuple[Cell, ...],
    ) -> None:
        self.result, self.theme, self.candidate, self.rows = result, theme, candidate, rows
        self.metric = result.metric(metric)
        self.cuts = cuts
        self.is_whole = len(cuts) == 1 and not theme.is_narrow  # the intervals in numbers, too
        self.comparisons = comparisons_of(result, candidate, metric)
        self.overall = {cut: overall_of(result, candidate, metric, cut) for cut in cuts}
        self.outside = outside_overall(result, candidate, cuts) & self.comparisons.keys()
        self.limits = ratio_limits(list(self.comparisons.values()), list(self.overall.values()), result.margin)

    def draw(self, page_text: str) -> Figure:
        """The whole figure."""
        theme = self.theme
        name = short_card(self.result, self.candidate, theme)
        base = short_card(self.result, self.result.baseline, theme)
        title = pair_title(
            self.result, self.candidate, f": {self.metric.label}{page_text}", theme, self.overall[self.cuts[0]]
        )
        sheet = Sheet(
            theme,
            title=title,
            lead=f"Farther right is better for {name}. 0 % is {base}.",
            notes=self._notes(),
            full=[
                f"{self.metric.definition.rstrip('.')}. Ratios stand on a logarithmic scale; overall is the geometric "
                "mean, with 95 % intervals: of these scenes from run noise alone, of scenes like these with the scenes "
                "as a sample."
            ],
        )
        margin = f"margin: less than {self.result.margin * 100.0:g} % apart"
        sheet.key([*verdict_key(theme.palette), KeyEntry(margin, theme.palette.band, "patch")])
        self._panels(sheet)
        return sheet.figure

    def _notes(self) -> list[str]:
        items = list(self.comparisons.values())
        n_runs = run_counts([number for item in items for number in (item.candidate_n_runs, item.baseline_n_runs)])
        flipped = "Lower is better (axis turned round). " if self.metric.better == "lower" else ""
        known = [item.interval_95 for item in items if item.interval_95]
        line = "Line: 95 % interval. " if known else ""
        few = "A mark without a line has too few runs for an interval. " if len(known) < len(items) else ""
        on = "An arrowhead: the interval goes on. " if any(_leaves(item, self.limits) for item in known) else ""
        return [
            f"{flipped}{n_runs} of each card in a cell. {line}{few}{on}Overall: mean of {self._cells_words()}.",
            OUTSIDE_NOTE if self.outside & set(self.rows) else "",
        ]

    def _cells_words(self) -> str:
        cells = self.result.cells_of(self.cuts[0])
        if self.candidate not in cells.apart:
            return cells_words(cells)
        return f"the {counted(len(cells.of(self.candidate)), 'cell')} that both have (this card stands apart)"

    def _panels(self, sheet: Sheet) -> None:
        em = sheet.em
        labels = [cell_label(self.result, cell) for cell in self.rows]
        foot_labels = ["overall, these scenes", "overall, scenes like these"]
        if self.theme.is_narrow:
            foot_labels = ["these scenes", "scenes like these"]
        most = 13.5 if self.theme.is_narrow else 24.0 if self.is_whole else 19.0
        label_width = max(sheet.label_width(labels, most), sheet.label_width(foot_labels, most, bold=True))
        number_width = (18.5 if self.is_whole else 4.6) * em
        gap = _GAP_EM * em
        width = (sheet.width - label_width - 0.8 * em - number_width - gap * (len(self.cuts) - 1)) / len(self.cuts)
        counts = self._count_lines(width)
        head = (1.6 + 1.3 * max(len(lines) for lines in counts.values())) * em
        bottom, top = sheet.bottom + 3.5 * em, sheet.top - head
        row = min(2.4 * em, (top - bottom) / (len(self.rows) + _FOOT_ROWS))
        bottom = top - row * (len(self.rows) + _FOOT_ROWS)
        sheet.label_rows(labels, top, row, label_width / em)
        for line, text in enumerate(foot_labels):
            y = top - (len(labels) + 1.4 + 2.0 * line) * row
            sheet.text(sheet.left, y, shorten(text, label_width, em, bold=True), bold=True)
        left = sheet.left + label_width + 0.8 * em
        for number, cut in enumerate(self.cuts):
            axes = sheet.axes(left, bottom, width, top - bottom)
            axes.set_ylim(len(self.rows) + _FOOT_ROWS, 0.0)
            self._panel(axes, cut)
            self._panel_head(sheet, cut, (left, top + head, width), counts[cut])
            self._panel_foot(sheet, cut, left, top - len(self.rows) * row, row, width)
            left += width
            if number == 0:
                self._numbers(sheet, left + 0.5 * em, top, row, whole=self.is_whole)
                left += number_width
            left += gap

    def _panel(self, axes: Axes, cut: str) -> None:
        theme = self.theme
        low, high = self.limits
        # Labels of two panels side by side share the gap between them.
        overhang_pt = math.inf if self.is_whole else (_GAP_EM / 2.0 - 0.1) * theme.em_pt
        set_ratio_scale(axes, low, high, theme.em_pt, overhang_pt=overhang_pt)
        if self.metric.better == "lower":
            axes.set_xlim(high, low)
        band = (1.0 / (1.0 + self.result.margin), 1.0 + self.result.margin)
        axes.axvspan(*band, color=theme.palette.band, linewidth=0.0, gid="margin")
        axes.axvline(1.0, color=theme.palette.muted, linewidth=theme.hair_pt * 1.6)
        axes.grid(axis="x")
        axes.set_yticks([])
        kept = self.result.cut(cut).cells
        for place, cell in enumerate(self.rows):
            item = self.comparisons.get(cell)
            if cell in kept and item is not None and item.ratio is not None:
                self._mark(axes, place + 0.5, item.ratio, item.interval_95, item.verdict, f"cell-{cell[0]}-{cell[1]}")
        overall = self.overall[cut]
        n_rows = len(self.rows)
        axes.axhline(n_rows + 0.45, color=theme.palette.muted, linewidth=theme.hair_pt)
        if overall is not None and overall.ratio is not None:
            marks = (
                (n_rows + 1.4, overall.interval_these_scenes, overall.verdict, "overall-these"),
                (n_rows + 3.4, overall.interval_scenes_like_these, overall.verdict_scenes_like_these, "overall-like"),
            )
            for y, interval, verdict, gid in marks:
                self._mark(axes, y, overall.ratio, interval, verdict, gid, scale=1.35)
        x_caption(axes, "difference to the baseline", theme)

    def _mark(
        self,
        axes: Axes,
        y: float,
        ratio: float,
        interval: Interval | None,
        verdict: Verdict,
        gid: str,
        scale: float = 1.0,
    ) -> None:
        theme = self.theme
        mark = verdict_mark(verdict, theme.palette)
        low, high = self.limits
        if interval is not None:
            ends = max(interval.low, low), min(interval.high, high)
            whisker(axes, ends, y, theme, color=mark.color, gid=f"{gid}-interval", caps_em=0.0, scale=scale)
            for end, edge in ((interval.low, low), (interval.high, high)):
                if (end < edge) if edge == low else (end > edge):
                    at_left = (edge == low) != (self.metric.better == "lower")
                    caret = CARETLEFT if at_left else CARETRIGHT
                    look = {"color": mark.color, "clip_on": False, "gid": f"{gid}-on-{end:g}"}
                    dots(axes, edge, y, caret, theme, size=0.6, line=1.0, **look)
        look = {"mfc": mark.face, "mec": mark.color, "clip_on": False, "zorder": 4, "gid": gid}
        dots(axes, min(max(ratio, low), high), y, mark.marker, theme, size=0.68 * scale, line=1.0, **look)

    def _count_lines(self, width: float) -> dict[str, list[str]]:
        """For each cut how many cells have each verdict, on as many lines as a panel needs."""
        em = self.theme.em_pt
        none = "no cell with runs on both sides"
        words = {cut: none if item is None else item.counts.in_words for cut, item in self.overall.items()}
        return {cut: wrap(text, width, em, max_lines=2) for cut, text in words.items()}

    def _panel_head(self, sheet: Sheet, cut: str, box: tuple[float, float, float], counts: list[str]) -> None:
        theme, em = self.theme, sheet.em
        left, top, width = box
        shown = shorten(self.result.cut(cut).label, width, theme.label_pt, bold=True)
        sheet.text(left, top - 0.75 * em, shown, size_pt=theme.label_pt, bold=True)
        for number, line in enumerate(counts):
            sheet.text(left, top - (2.1 + 1.3 * number) * em, line, color=theme.palette.muted)

    def _panel_foot(self, sheet: Sheet, cut: str, left: float, top: float, row: float, width: float) -> None:
        """The overall numbers: beside a single panel, under the marks of one of several."""
        overall = self.overall[cut]
        if overall is None or overall.ratio is None:
            return
        pairs = (
            (overall.interval_these_scenes, overall.verdict),
            (overall.interval_scenes_like_these, overall.verdict_scenes_like_these),
        )
        for number, (interval, verdict) in enumerate(pairs):
            numbers = change_words(overall.ratio, interval)
            words = numbers if interval is None else f"{numbers}, {verdict}"
            if self.is_whole:
                sheet.text(left + width + 0.5 * sheet.em, top - (1.4 + 2.0 * number) * row, words, bold=True)
                continue
            shown = words if text_width_pt(words, sheet.em) <= width else numbers
            text = sheet.text(left + width / 2.0, top - (2.4 + 2.0 * number) * row, shown, ha="center")
            if not self.theme.transparent:
                text.set_bbox({"facecolor": self.theme.palette.ground, "edgecolor": "none", "pad": 0.1 * sheet.em})

    def _numbers(self, sheet: Sheet, left: float, top: float, row: float, *, whole: bool) -> None:
        """The numbers of the first panel, beside it; where a cell has none, why."""
        for place, cell in enumerate(self.rows):
            item = self.comparisons.get(cell)
            if item is None or item.ratio is None:
                words = "no runs" if whole else "n/a"
            elif whole:
                words = change_words(item.ratio, item.interval_95)
            else:
                words = percent_change(item.ratio)
            words += OUTSIDE if cell in self.outside else ""
            sheet.text(left, top - (place + 0.5) * row, words)


def _leaves(interval: Interval, limits: tuple[float, float]) -> bool:
    return interval.low < limits[0] or interval.high > limits[1]
