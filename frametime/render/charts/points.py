"""Points with whiskers in rows, a row a cell: ratios to the baseline, and every run around the mean of its set."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal, NamedTuple

from matplotlib.axes import Axes
from matplotlib.markers import CARETLEFT, CARETRIGHT

from frametime.render.charts.axis_scales import ratio_limits, set_change_ticks, set_ratio_scale, size_of
from frametime.render.charts.chart_sheet import Chart, KeyEntry, Sheet, beside, dots, whisker, x_caption
from frametime.render.charts.review_view import (
    OUTSIDE,
    Cell,
    PagedChart,
    ReviewView,
    count_words,
    even_parts,
    verdict_key,
    verdict_mark,
)
from frametime.render.charts.text_fit import shorten, text_width_pt, wrap
from frametime.render.charts.theme import Palette, Theme
from frametime.render.review_words import change_words
from frametime.review.result import ReviewResult, RunEntry
from frametime.review.result_tables import Verdict
from frametime.statistics.differences import Interval
from frametime.words import counted, percent_change

_GAP_EM: Final = 1.4
_MOST_ROW_EM: Final = 2.5
_MOST_LABEL_EM: Final = 22.0
_MOST_NARROW_LABEL_EM: Final = 13.5


class Words(NamedTuple):
    """A text at a height, in rows from the top."""

    y: float
    text: str
    bold: bool = False


class Mark(NamedTuple):
    """A point at a height, in rows from the top, with its interval; ``name`` stands beside it where there is room."""

    x: float
    y: float
    marker: str
    face: str
    edge: str
    gid: str
    size: float
    interval: Interval | None = None
    scale: float = 1.0
    name: str = ""


@dataclass(frozen=True, kw_only=True)
class Panel:
    """Marks on one scale before a band."""

    name: str
    remark: str
    marks: Sequence[Mark]
    band: tuple[float, float] | None = None


@dataclass(frozen=True, kw_only=True)
class Points:
    """Rows of points, panels side by side on one scale.

    ``limits`` are those of every panel, the higher first where the axis is turned round; ``rules`` are the heights of
    level lines. ``numbers`` stand behind the last panel.
    """

    labels: Sequence[Words]
    n_rows: float
    panels: Sequence[Panel]
    scale: Literal["ratio", "percent"]
    limits: tuple[float, float]
    caption: str
    rules: Sequence[float]
    numbers: Sequence[Words] = ()

    def draw(self, sheet: Sheet) -> None:
        """Labels at the left, then panel by panel."""
        em, theme = sheet.em, sheet.theme
        most_em = _MOST_NARROW_LABEL_EM if theme.is_narrow else _MOST_LABEL_EM
        label_width = max(sheet.label_width([item.text], most_em, bold=item.bold) for item in self.labels)
        number_width = max((text_width_pt(item.text, em, bold=item.bold) for item in self.numbers), default=-0.5 * em)
        left, gap = sheet.left + label_width + 0.9 * em, _GAP_EM * em
        room = sheet.right - left - number_width - 0.5 * em - gap * (len(self.panels) - 1)
        width = room / len(self.panels)
        remarks = [wrap(panel.remark, width, em, max_lines=2) for panel in self.panels]
        head = (1.6 + 1.3 * max(map(len, remarks))) * em
        top, bottom = sheet.top - head, sheet.bottom + 3.5 * em
        row = min(_MOST_ROW_EM * em, (top - bottom) / self.n_rows)
        for item in self.labels:
            shown = shorten(item.text, label_width, em, bold=item.bold)
            sheet.text(sheet.left, top - item.y * row, shown, bold=item.bold)
        for item in self.numbers:
            sheet.text(sheet.right - number_width, top - item.y * row, item.text, bold=item.bold)
        for panel, lines in zip(self.panels, remarks, strict=True):
            name = shorten(panel.name, width, theme.label_pt, bold=True)
            sheet.text(left, top + head - 0.75 * em, name, size_pt=theme.label_pt, bold=True)
            for number, line in enumerate(lines):
                sheet.text(left, top + head - (2.1 + 1.3 * number) * em, line, color=theme.palette.muted)
            axes = sheet.axes(left, top - row * self.n_rows, width, row * self.n_rows)
            axes.set_ylim(self.n_rows, 0.0)
            self._panel(axes, panel, theme)
            left += width + gap

    def _panel(self, axes: Axes, panel: Panel, theme: Theme) -> None:
        em, muted = theme.em_pt, theme.palette.muted
        if self.scale == "ratio":
            set_ratio_scale(axes, min(self.limits), max(self.limits), em)
            axes.grid(axis="x")
        else:
            axes.set_xlim(*self.limits)
            set_change_ticks(axes, em, unit="" if theme.is_narrow else " %")
        axes.set_xlim(*self.limits)
        axes.set_yticks([])
        if panel.band is not None:
            axes.axvspan(*panel.band, color=theme.palette.band, linewidth=0.0, gid="band")
        axes.axvline(1.0 if self.scale == "ratio" else 0.0, color=muted, linewidth=1.6 * theme.hair_pt)
        for y in self.rules:
            axes.axhline(y, color=theme.palette.rule, linewidth=theme.hair_pt)
        draw_marks(axes, panel.marks, theme)
        if panel is self.panels[-1]:
            x_caption(axes, self.caption, theme)


def draw_marks(axes: Axes, marks: Sequence[Mark], theme: Theme) -> None:
    """Marks with their intervals; what goes beyond the axis ends in an arrowhead at its edge."""
    low, high = sorted(axes.get_xlim())
    is_turned = axes.get_xlim()[0] > axes.get_xlim()[1]
    for mark in marks:
        if mark.interval is not None:
            ends = max(mark.interval.low, low), min(mark.interval.high, high)
            gid = f"{mark.gid}-interval"
            whisker(axes, ends, mark.y, theme, color=mark.edge, gid=gid, caps_em=0.0, scale=mark.scale)
            beyond = [(low, mark.interval.low, not is_turned)] if mark.interval.low < low else []
            beyond += [(high, mark.interval.high, is_turned)] if mark.interval.high > high else []
            for edge, end, at_left in beyond:
                caret = CARETLEFT if at_left else CARETRIGHT
                look: dict[str, Any] = {"color": mark.edge, "clip_on": False, "gid": f"{mark.gid}-on-{end:g}"}
                dots(axes, edge, mark.y, caret, theme, size=0.6, line=1.0, **look)
        look = {"mfc": mark.face, "mec": mark.edge, "clip_on": False, "zorder": 4, "gid": mark.gid}
        dots(axes, min(max(mark.x, low), high), mark.y, mark.marker, theme, size=mark.size, line=1.0, **look)
    for y in dict.fromkeys(mark.y for mark in marks if mark.name):
        _names(axes, [mark for mark in marks if mark.y == y], theme)


def _names(axes: Axes, marks: Sequence[Mark], theme: Theme) -> None:
    """Names beside the marks of one row: none lies on a mark, nor one on another."""
    em, width_pt = theme.em_pt, size_of(axes)[0]
    low, high = axes.get_xlim()
    taken = [((mark.x - low) / (high - low) * width_pt - 0.25 * em,) * 2 for mark in marks]
    taken = [(start, start + 0.5 * em) for start, _ in taken]
    for mark in (mark for mark in marks if mark.name):
        words = shorten(mark.name, 0.3 * width_pt, em)
        text_pt = text_width_pt(words, em)
        x_pt = (mark.x - low) / (high - low) * width_pt
        for start, shift, side in ((x_pt + 0.7 * em, 0.7, "left"), (x_pt - 0.7 * em - text_pt, -0.7, "right")):
            is_inside = start >= 0.0 and start + text_pt + 0.3 * em <= width_pt
            if is_inside and not any(start < end and begin < start + text_pt for begin, end in taken):
                taken.append((start, start + text_pt))
                beside(axes, words, (mark.x, mark.y), (shift * em, 0.0), em, ha=side, va="center")
                break


MOST_CELLS: Final = 16
"""Rows of ratios in one figure."""

_FOOT_ROWS: Final = 3.9


def _ratio_pages(view: ReviewView, *, candidate: str, cut: str = "all", metric: str | None = None) -> list[list[Cell]]:
    """Cells of each figure; none of a cut in which the card is not compared, but of all cells."""
    overall = view.overall(candidate, view.metric(metric).key, cut)
    is_compared = cut == view.result.cuts[0].key or (overall is not None and overall.ratio is not None)
    cells = list(view.result.cut(cut).cells) if is_compared else []
    return [cells[part] for part in even_parts(len(cells), MOST_CELLS)]


def _ratios(
    view: ReviewView, rows: list[Cell], *, candidate: str, cut: str = "all", metric: str | None = None
) -> Chart:
    result, theme, entry, n_rows = view.result, view.theme, view.metric(metric), len(rows)
    compared = {cell: item for cell, item in view.compared(candidate, entry.key).items() if item.ratio is not None}
    overall, cells = view.overall(candidate, entry.key, cut), result.cells_of(cut)
    outside = view.outside(candidate, [cut]) & compared.keys() & set(rows)
    limits = ratio_limits(list(compared.values()), [overall], result.margin)
    known = [item.interval_95 for item in compared.values() if item.interval_95]
    leaves = any(interval.low < limits[0] or interval.high > limits[1] for interval in known)
    both = f"the {counted(len(cells.of(candidate)), 'cell')} that both have (this card stands apart)"
    values = {
        "pair": view.pair(candidate, entry.key, f": {entry.label}", cut),
        "metric": entry.label,
        "candidate": view.short(candidate),
        "baseline": view.short(result.baseline),
        "if_turned": "" if entry.better == "lower" else None,
        "runs": count_words([n for item in compared.values() for n in (item.candidate_n_runs, item.baseline_n_runs)]),
        "if_known": "" if known else None,
        "if_few": "" if len(known) < len(compared) else None,
        "if_leaves": "" if leaves else None,
        "cells": both if candidate in cells.apart else view.cells_words(cut),
        "if_outside": "" if outside else None,
        "definition": entry.definition.rstrip("."),
    }
    marks, numbers = [], []
    labels = [Words(place + 0.5, view.cell_label(cell)) for place, cell in enumerate(rows)]
    for label, cell in zip(labels, rows, strict=True):
        item = compared.get(cell)
        if item is None or item.ratio is None:
            numbers.append(Words(label.y, "no runs"))
            continue
        gid, star = f"cell-{cell[0]}-{cell[1]}", OUTSIDE if cell in outside else ""
        marks.append(_verdict_mark(theme, label.y, gid, item.ratio, item.interval_95, item.verdict))
        numbers.append(Words(label.y, _change(view, item.ratio, item.interval_95) + star))
    for y, gid, scenes in ((1.4, "these", "these scenes"), (2.9, "like", "scenes like these")):
        labels.append(Words(n_rows + y, f"{'' if theme.is_narrow else 'overall, '}{scenes}", bold=True))
        if overall is not None and overall.ratio is not None:
            interval, verdict = overall.interval_these_scenes, overall.verdict
            if gid == "like":
                interval, verdict = overall.interval_scenes_like_these, overall.verdict_scenes_like_these
            look = _verdict_mark(theme, n_rows + y, f"overall-{gid}", overall.ratio, interval, verdict, scale=1.35)
            marks.append(look)
            end = f", {verdict}" if interval and not theme.is_narrow else ""
            numbers.append(Words(n_rows + y, _change(view, overall.ratio, interval) + end, bold=True))
    counts = "no cell with runs on both sides" if overall is None else overall.counts.in_words
    margin = 1.0 + result.margin
    body = Points(
        labels=labels,
        n_rows=n_rows + _FOOT_ROWS,
        panels=[Panel(name=result.cut(cut).label, remark=counts, marks=marks, band=(1.0 / margin, margin))],
        scale="ratio",
        limits=limits if entry.better == "higher" else (limits[1], limits[0]),
        caption="difference to the baseline",
        rules=[n_rows + 0.45],
        numbers=numbers,
    )
    in_margin = KeyEntry(f"margin: less than {result.margin * 100.0:g} % apart", theme.palette.band, "patch")
    return Chart(kind="ratios", values=values, key=[*verdict_key(theme.palette), in_margin], body=body)


def _change(view: ReviewView, ratio: float, interval: Interval | None) -> str:
    """The number beside a mark, with its interval where there is room."""
    return percent_change(ratio) if view.theme.is_narrow else change_words(ratio, interval)


def _verdict_mark(
    theme: Theme, y: float, gid: str, ratio: float, interval: Interval | None, verdict: Verdict, scale: float = 1.0
) -> Mark:
    look = verdict_mark(verdict, theme.palette)
    return Mark(ratio, y, look.marker, look.face, look.color, gid, 0.68 * scale, interval=interval, scale=scale)


draw_ratios: Final = PagedChart(_ratio_pages, _ratios)
"""Ratio of a ``candidate`` to the baseline in each cell of a ``cut``, by a ``metric`` (the headline by default), and
over all of them at the foot. A page holds sixteen cells."""


MOST_CARDS: Final = 4
"""Panels of runs in one figure."""

_MOST_NARROW_CARDS: Final = 2
_MOST_SETS: Final = 18
_BAND_FACTOR: Final = 2.0
RunPage = tuple[Sequence[str], Sequence[Cell]]


def _run_pages(view: ReviewView, **_: str) -> list[RunPage]:
    """Cards and cells of each figure; none where every run is its own mean, for all marks would lie at 0 %."""
    result, cells = view.result, view.result.cuts[0].cells
    if all(len(cell.run_names) < 2 for cell in result.cells):
        return []
    cards = [card.key for card in result.cards]
    groups = even_parts(len(cards), _MOST_NARROW_CARDS if view.theme.is_narrow else MOST_CARDS)
    return [(cards[group], cells[part]) for group in groups for part in even_parts(len(cells), _MOST_SETS)]


def _repeatability(view: ReviewView, page: RunPage, *, metric: str | None = None) -> Chart:
    (cards, cells), result, theme, palette = page, view.result, view.theme, view.theme.palette
    entry, distances = view.metric(metric), distances_pct(result, view.metric(metric).key)
    spreads = {item.card: item.s_r_pct for item in result.repeatability if item.metric == entry.key}
    panels, ends = [], [0.5]
    for card in cards:
        spread = spreads.get(card)
        marks = [
            _run_mark(run, distance_pct, place + 0.5, palette, view.style(card).color)
            for place, cell in enumerate(cells)
            for run, distance_pct in distances.get((card, *cell), ())
        ]
        remark = "too few runs for a spread" if spread is None else f"usual spread {spread:.2g} %"
        band = None if spread is None else (-_BAND_FACTOR * spread, _BAND_FACTOR * spread)
        panels.append(Panel(name=view.label(card), remark=remark, marks=marks, band=band))
        ends += [abs(mark.x) for mark in marks] + ([1.3 * band[1]] if band else [])
    n_excluded = sum(run.excluded_reason is not None for run in result.runs)
    values = {
        "metric": entry.label,
        "runs": view.runs_words(),
        "factor": _BAND_FACTOR,
        "n_flagged": sum(run.flag is not None and run.excluded_reason is None for run in result.runs),
        "n_runs": len(result.runs),
        "n_excluded": n_excluded or None,
        "definition": entry.definition,
    }
    key = [
        KeyEntry("run", palette.ink, "marker", "|"),
        KeyEntry("flagged run", palette.behind, "marker", "D", edge=palette.ink),
        KeyEntry("excluded run", palette.muted, "marker", "x"),
        KeyEntry("where most runs of the card lie", palette.band, "patch"),
    ]
    body = Points(
        labels=[Words(place + 0.5, view.cell_label(cell)) for place, cell in enumerate(cells)],
        n_rows=len(cells),
        panels=panels,
        scale="percent",
        limits=(-1.15 * max(ends), 1.15 * max(ends)),
        caption=f"distance to the mean of the set{', %' if theme.is_narrow else ''}",
        rules=range(1, len(cells)),
    )
    kept = [item for item in key if n_excluded or item.label != "excluded run"]
    return Chart(kind="repeatability", values=values, key=kept, body=body)


def distances_pct(result: ReviewResult, metric: str) -> dict[tuple[str, str, str], list[tuple[RunEntry, float]]]:
    """For each card in a cell its runs and their distances to the mean of the set in percent, those of note first."""
    means = {(item.card, item.scene, item.resolution): item.estimates[metric].value for item in result.cells}
    kept = {name for item in result.cells for name in item.run_names}
    found: dict[tuple[str, str, str], list[tuple[RunEntry, float]]] = {}
    for run in sorted(result.runs, key=lambda run: (run.flag is None, run.excluded_reason is None)):
        place = run.card, run.scene, run.resolution
        value, mean = run.values.get(metric), means.get(place)
        counts = run.name in kept or run.excluded_reason is not None
        if counts and value is not None and mean is not None and mean > 0.0:
            found.setdefault(place, []).append((run, 100.0 * (value / mean - 1.0)))
    return found


def _run_mark(run: RunEntry, distance_pct: float, y: float, palette: Palette, color: str) -> Mark:
    marker, size, edge = "|", 0.9, color
    if run.excluded_reason is not None:
        marker, size, edge = "x", 0.55, palette.muted
    elif run.flag is not None:
        marker, size, edge = "D", 0.55, palette.ink
    name = "" if marker == "|" else f"run {run.run}" if run.run.isdigit() else run.run
    return Mark(distance_pct, y, marker, palette.behind, edge, f"run-{run.name}", size, name=name)


draw_repeatability: Final = PagedChart(_run_pages, _repeatability)
"""Every run of every cell around the mean of its set, by a metric (the headline by default): a panel a card."""
