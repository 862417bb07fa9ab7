"""Plots in columns: marks on axes, rows named at the side, lines of equal slope, a list beside them where there is one.

What is drawn is data: a plot says its limits, captions and marks, and a mark draws itself.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf, nan
from types import MappingProxyType
from typing import Any, Final, Literal, NamedTuple, Protocol

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.markers import CARETDOWN, CARETLEFT, CARETRIGHT, CARETUP
from matplotlib.path import Path
from matplotlib.transforms import Bbox
from numpy.typing import ArrayLike, NDArray

from frametime.render.charts.chart_sheet import ListEntry, Sheet, list_em, side_list
from frametime.render.charts.text_fit import (
    XTicks,
    beside,
    ratio_ticks,
    round_ticks,
    shorten,
    signed_labels,
    size_of,
    text_width_pt,
    tick_labels,
    wrap,
    x_caption,
    x_scale,
    y_caption,
)
from frametime.render.charts.theme import POINTS_PER_INCH, LineStyle, Theme

HEAD_EM: Final = 2.3
CAPTION_EM: Final = 1.9
FOOT_EM: Final = 3.5
LEAST_WHISKER_EM: Final = 0.4
"""A shorter interval (6 pixels at web size) is not seen as one: it is drawn as an upright mark."""

_NARROW_EM: Final = 22.0
_NARROW_LIST_EM: Final = 18.0
_LEAST_PLOT_EM: Final = 5.0
_GAP_EM: Final = 2.2
_LIST_EM: Final = 26.0
_MOST_SLOPES: Final = 6
_FAN: Final = 6.0
"""Lines whose slopes lie so many times apart part them into equal ratios: equal steps would all be steep."""
_MOST_ROW_EM: Final = 2.5
_MOST_LABEL_EM: Final = 22.0
_MOST_NARROW_LABEL_EM: Final = 13.5
_LEAST_TICK_EM: Final = 3.6
_MOST_WORDS: Final = 4

Area = tuple[float, float, float, float]
"""Left, bottom, right and upper end, in points from the lower left corner of the axes."""


class Drawn(Protocol):
    """Something on the axes of a plot."""

    def draw(self, axes: Axes, theme: Theme) -> None:
        """Draw it; lengths are multiples of those of the theme."""


class Curve(NamedTuple):
    """A line; with ``lows`` the area from there to ``ys``. ``style`` holds further properties of matplotlib."""

    xs: ArrayLike
    ys: ArrayLike
    color: str
    gid: str
    lows: ArrayLike | None = None
    width: float = 1.0
    line: LineStyle = "-"
    style: Mapping[str, Any] = MappingProxyType({})

    def draw(self, axes: Axes, theme: Theme) -> None:
        """A line, or an area whose edge keeps a lone spike as wide as a line."""
        look: dict[str, Any] = {"linewidth": self.width * theme.line_pt, "gid": self.gid, **self.style}
        if self.lows is None:
            axes.plot(self.xs, self.ys, color=self.color, linestyle=self.line, **look)
        else:
            axes.fill_between(self.xs, self.lows, self.ys, facecolor=self.color, edgecolor=self.color, **look)


class Dots(NamedTuple):
    """Marks of ``size`` em without a line between them; ``words`` stand beside a single one where there is room."""

    xs: ArrayLike
    ys: ArrayLike
    marker: Any
    face: str
    edge: str
    gid: str
    size: float = 0.9
    line: float = 0.6
    zorder: float = 4.0
    words: str = ""

    def draw(self, axes: Axes, theme: Theme) -> None:
        """Marks that are not cut at the edge of the axes."""
        look: dict[str, Any] = {"mfc": self.face, "mec": self.edge, "mew": self.line * theme.line_pt, "clip_on": False}
        look |= {"markersize": self.size * theme.em_pt, "zorder": self.zorder, "gid": self.gid}
        axes.plot(self.xs, self.ys, linestyle="none", marker=self.marker, **look)


class Whisker(NamedTuple):
    """An interval at a place, with caps; one too short to be seen as such is a mark across its middle.

    Without caps it lies behind the mark of its value, which covers a short one.

    What goes beyond the axis ends in an arrowhead at its edge. With ``halo`` a wide line of the ground lies below it,
    so that it is seen on a bar as well.
    """

    ends: tuple[float, float]
    at: float
    color: str
    gid: str
    upright: bool = False
    caps_em: float = 0.6
    width: float = 1.0
    halo: bool = False

    def draw(self, axes: Axes, theme: Theme) -> None:
        """A line with what stands at its ends."""
        limits = axes.get_ylim() if self.upright else axes.get_xlim()
        ends = [min(max(end, min(limits)), max(limits)) for end in self.ends]
        places = axes.transData.transform(np.column_stack(self._points(ends)))
        long_pt = np.abs(places[1] - places[0]).max() * POINTS_PER_INCH / axes.figure.dpi
        is_small = bool(self.caps_em) and long_pt < LEAST_WHISKER_EM * theme.em_pt
        across = "_" if self.upright else "|"
        for color, times, gid in ((theme.palette.ground, 3.0, "halo"), (self.color, 1.0, self.gid))[not self.halo :]:
            width = times * self.width * theme.line_pt
            look: dict[str, Any] = {"color": color, "mew": width, "zorder": 3.0, "linewidth": width}
            caps = across if self.caps_em and not is_small else ""
            look |= {"solid_capstyle": "butt", "markersize": (self.caps_em if caps else 0.9) * theme.em_pt}
            axes.plot(*self._points(ends), marker=caps, gid=gid, **look)
            if is_small:
                axes.plot(*self._points([sum(ends) / 2.0]), marker=across, gid=f"{gid}-small", **look)
        carets = (CARETDOWN, CARETUP) if self.upright else (CARETLEFT, CARETRIGHT)
        for end, kept in zip(self.ends, ends, strict=True):
            if end != kept:
                caret, gid = carets[int(kept == limits[1])], f"{self.gid}-on-{end:g}"
                Dots(*self._points([kept]), caret, self.color, self.color, gid, 0.6, 1.0).draw(axes, theme)

    def _points(self, values: Sequence[float]) -> tuple[Sequence[float], Sequence[float]]:
        same = [self.at] * len(values)
        return (same, values) if self.upright else (values, same)


class Span(NamedTuple):
    """A stretch of the x axis as a ground."""

    start: float
    end: float
    color: str
    gid: str

    def draw(self, axes: Axes, theme: Theme) -> None:
        """Behind everything else."""
        axes.axvspan(self.start, self.end, color=self.color, linewidth=0.0, zorder=0, gid=self.gid)


class Rule(NamedTuple):
    """A line across the whole plot, upright or level."""

    at: float
    color: str
    gid: str
    line: LineStyle = "-"
    is_level: bool = False
    width: float = 1.0

    def draw(self, axes: Axes, theme: Theme) -> None:
        """From edge to edge."""
        across = axes.axhline if self.is_level else axes.axvline
        across(self.at, color=self.color, linewidth=self.width * theme.line_pt, linestyle=self.line, gid=self.gid)


class Row(NamedTuple):
    """A row at a height, in rows from the top: its name at the left of the plots, its number at their right."""

    y: float
    label: str
    number: str = ""
    bold: bool = False


@dataclass(frozen=True, kw_only=True)
class Plot:
    """Axes with what is drawn on them.

    ``name`` and ``remark`` stand above, as does the caption of the y axis; ``top_words`` stand at their places on the
    upper edge as far as there is room. ``height_em`` is the height of the axes alone; without it, an equal share of
    what the others leave. With ``slope_unit`` lines of equal slope go from the origin around all marks.

    ``x_ticks`` are the kinds of `x_scale`.
    """

    marks: Sequence[Drawn]
    x_limits: tuple[float, float]
    y_limits: tuple[float, float]
    x_label: str = ""
    y_label: str = ""
    name: str = ""
    remark: str = ""
    x_ticks: XTicks = "round"
    y_ticks: Literal["round", "change", "few", "none"] = "round"
    grid: Literal["x", "y", "both", "none"] = "y"
    height_em: float | None = None
    top_words: Sequence[tuple[float, str]] = ()
    slope_unit: str = ""

    @property
    def head_em(self) -> float:
        """Height of what stands above the axes."""
        return (HEAD_EM if self.name else 0.0) + (CAPTION_EM if self.y_label else 0.0)

    def y_scale(self, height_em: float) -> list[tuple[float, str]]:
        """Places on the y axis with their labels."""
        if self.y_ticks == "none":
            return []
        spacing_em = 2.6 if self.y_ticks == "change" else 3.4  # two at least: one tick alone gives no scale
        ticks = round_ticks(*self.y_limits, 2 if self.y_ticks == "few" else max(2, int(height_em / spacing_em)))
        labels = signed_labels(ticks, " %") if self.y_ticks == "change" else tick_labels(ticks)
        return list(zip(ticks, labels, strict=True))


@dataclass(frozen=True, kw_only=True)
class Plots:
    """Columns of plots on one x axis each, all columns alike; ``rows`` that all share are named at their sides."""

    columns: Sequence[Sequence[Plot]]
    entries: Sequence[ListEntry] = ()
    rows: Sequence[Row] = ()

    @property
    def least_em(self) -> float:
        """Height that a narrow page needs: for head and foot, for each plot, and for the list."""
        heads_em = sum(plot.head_em + 1.3 * bool(plot.remark) for plot in self.columns[0])
        plots_em = sum(plot.height_em or _LEAST_PLOT_EM for plot in self.columns[0])
        return _NARROW_EM + heads_em + plots_em + (_NARROW_LIST_EM + list_em(self.entries) if self.entries else 0.0)

    def draw(self, sheet: Sheet) -> None:
        """Column by column; only the lowest plot of each names the ticks of the x axis."""
        em, first = sheet.em, self.columns[0]
        left, right = sheet.left, side_list(sheet, self.entries, _LIST_EM) if self.entries else sheet.right
        label_pt, number_pt = self._row_widths(sheet)
        slope_pt = text_width_pt(f"0.000 {first[0].slope_unit}", em) + 0.8 * em if first[0].slope_unit else 0.0
        left, right = left + label_pt, right - number_pt - slope_pt
        ticks_pt = [_tick_width_pt(column, em) for column in self.columns]
        width = (right - left - sum(ticks_pt) - _GAP_EM * em * (len(self.columns) - 1)) / len(self.columns)
        is_below = bool(self.rows) or sheet.theme.is_narrow  # what is said of a plot: below its name, or beside it
        lines = [wrap(plot.remark, width, em, max_lines=2) for column in self.columns for plot in column if is_below]
        below_em = 1.3 * max(map(len, lines), default=0)
        fixed_em = sum(plot.head_em + below_em + (plot.height_em or 0.0) for plot in first)
        share = sheet.top - sheet.bottom - (FOOT_EM + fixed_em) * em
        share /= max(1, sum(plot.height_em is None for plot in first))
        if self.rows:
            share = min(share, _MOST_ROW_EM * max(first[0].y_limits) * em)
        for column, tick_pt in zip(self.columns, ticks_pt, strict=True):
            left += tick_pt
            top = sheet.top
            for plot in column:
                height = share if plot.height_em is None else plot.height_em * em
                _head(sheet, plot, (left - tick_pt, top - 1.35 * em, left + width), is_below=is_below)
                top -= (plot.head_em + below_em) * em + height
                axes = sheet.axes(left, top, width, height)
                _draw_plot(axes, plot, sheet.theme, is_lowest=plot is column[-1])
                _words(axes, plot.marks, sheet.theme, in_rows=bool(self.rows))
            left += width + _GAP_EM * em
        for row in self.rows:
            y = top + share * (1.0 - row.y / max(first[0].y_limits))
            sheet.text(sheet.left, y, shorten(row.label, label_pt - 0.6 * em, em, bold=row.bold), bold=row.bold)
            sheet.text(sheet.right - number_pt + 0.5 * em, y, row.number, bold=row.bold)

    def _row_widths(self, sheet: Sheet) -> tuple[float, float]:
        """Widths of the columns with the names of the rows and with their numbers."""
        em, most_em = sheet.em, _MOST_NARROW_LABEL_EM if sheet.theme.is_narrow else _MOST_LABEL_EM
        labels, numbers = (
            max((text_width_pt(text, em, bold=row.bold) for row, text in texts if text), default=-0.8 * em)
            for texts in ([(row, row.label) for row in self.rows], [(row, row.number) for row in self.rows])
        )
        return min(labels, most_em * em) + 0.8 * em, numbers + 0.8 * em


def _tick_width_pt(column: Sequence[Plot], em: float) -> float:
    """Room for the labels of the y axes."""
    labels = [label for plot in column for _, label in plot.y_scale(30.0)]
    return max(_LEAST_TICK_EM * em, *(text_width_pt(label, em) + 0.8 * em for label in labels)) if labels else 0.5 * em


def _head(sheet: Sheet, plot: Plot, place: tuple[float, float, float], *, is_below: bool) -> None:
    """Name and remark of a plot: the remark at the right end, or as lines below."""
    (left, y, right), theme, em = place, sheet.theme, sheet.em
    room = right - left - (0.0 if is_below else text_width_pt(plot.remark, em) + 1.5 * em)
    sheet.text(left, y, shorten(plot.name, room, theme.label_pt, bold=True), size_pt=theme.label_pt, bold=True)
    if not is_below:
        sheet.text(right, y, plot.remark, color=theme.palette.muted, ha="right")
    for number, line in enumerate(wrap(plot.remark, right - left, em, max_lines=2) if is_below else ()):
        sheet.text(left, y - (1.4 + 1.3 * number) * em, line, color=theme.palette.muted)


def _draw_plot(axes: Axes, plot: Plot, theme: Theme, *, is_lowest: bool) -> None:
    axes.set_ylim(*plot.y_limits)
    marks, unit = x_scale(axes, theme.em_pt, plot.x_ticks, *plot.x_limits)
    shown = marks if is_lowest else [(at, "") for at, _ in marks]
    draw_scale(axes, theme, "x", shown, has_lines=plot.grid in ("x", "both"))
    draw_scale(axes, theme, "y", plot.y_scale(size_of(axes)[1] / theme.em_pt), has_lines=plot.grid in ("y", "both"))
    axes.spines["left"].set_visible(plot.grid == "both" or bool(plot.slope_unit))
    if plot.slope_unit:
        _slopes(axes, plot, theme)
    for mark in plot.marks:
        mark.draw(axes, theme)
    if plot.y_label:
        y_caption(axes, plot.y_label, theme.em_pt)
    if is_lowest and plot.x_label:
        x_caption(axes, plot.x_label + unit, theme.em_pt)
    _top_words(axes, plot, theme)


def draw_scale(axes: Axes, theme: Theme, along: str, marks: Sequence[tuple[float, str]], *, has_lines: bool) -> None:
    """Places along an axis: a line across at each, and its label beside the axis.

    As texts and one broken line: each tick of matplotlib is five artists, and they took a quarter of a small chart.
    """
    em, at_x = theme.em_pt, along == "x"
    for is_minor in (False, True):
        (axes.xaxis if at_x else axes.yaxis).set_ticks([], minor=is_minor)
    if has_lines:
        look: dict[str, Any] = {"color": theme.palette.rule, "linewidth": theme.hair_pt, "zorder": 0.5}
        ends = np.repeat([at for at, _ in marks], 3), [0.0, 1.0, nan] * len(marks)
        across = axes.get_xaxis_transform() if at_x else axes.get_yaxis_transform()
        axes.add_artist(Line2D(*(ends if at_x else ends[::-1]), transform=across, **look))
    # Below the axis clear of the lowest label at its left.
    place, va, ha = axes.get_xaxis_text1_transform(0.65 * em) if at_x else axes.get_yaxis_text1_transform(0.4 * em)
    for at, label in marks:
        if label:
            axes.text(*((at, 0.0) if at_x else (0.0, at)), label, transform=place, va=va, ha=ha, zorder=0.5)


def _top_words(axes: Axes, plot: Plot, theme: Theme) -> None:
    """Words at the upper edge, the first ones first, clear of the caption and of each other."""
    em, width_pt = theme.em_pt, size_of(axes)[0]
    taken = [(0.0, text_width_pt(plot.y_label, em) + em)]
    for x, text in plot.top_words[:_MOST_WORDS]:
        half = text_width_pt(text, em) / 2.0
        middle = float(np.clip(x / plot.x_limits[1] * width_pt, half, width_pt - half))
        if all(middle - half >= end + 0.5 * em or start - 0.5 * em >= middle + half for start, end in taken):
            taken.append((middle - half, middle + half))
            beside(axes, text, (middle / width_pt, 1.0), (0.0, 0.55 * em), em, xycoords="axes fraction", ha="center")


def _places(marks: Sequence[Drawn]) -> NDArray[np.float64]:
    """Where all dots among some marks are, one a row."""
    found = [np.column_stack([np.ravel(mark.xs), np.ravel(mark.ys)]) for mark in marks if isinstance(mark, Dots)]
    return np.concatenate([np.empty((0, 2)), *found])


def _slopes(axes: Axes, plot: Plot, theme: Theme) -> None:
    """Lines of equal slope through the origin, labeled where they leave the plane: at the right edge or above."""
    em, (width, height), (x_end, y_end) = theme.em_pt, size_of(axes), (plot.x_limits[1], plot.y_limits[1])
    slopes = np.divide(*_places(plot.marks).T[::-1])
    # Wide enough to lie on both sides of every card, close enough to tell them apart.
    low, high = 0.8 * slopes.min(), 1.25 * slopes.max()
    best: list[tuple[float, float, Area, str]] = []
    for most in range(_MOST_SLOPES, 0, -1):  # fewer lines, until each has its label, or as many as have one
        values = ratio_ticks(low, high) if high > _FAN * low else round_ticks(low, high, most, least=1)
        kept, taken = best[:0], [(0.0, height, text_width_pt(plot.y_label, em) + 0.9 * em, inf)]
        for slope, label in zip(values, tick_labels(values), strict=True):
            x, y = min(x_end, y_end / slope), min(y_end, slope * x_end)
            at_right = slope * x_end < y_end
            words = f"{label} {plot.slope_unit}" if at_right else label
            start = width + 0.4 * em if at_right else x / x_end * width - text_width_pt(label, em) / 2.0
            middle = y / y_end * height if at_right else height + 0.9 * em
            area = (start - 0.3 * em, middle - 0.7 * em, start + text_width_pt(words, em) + 0.3 * em, middle + 0.7 * em)
            if not any(_meet(area, other) for other in taken):
                taken.append(area)
                kept.append((x, y, area, words))
        best = max(best, kept, key=len)
        if kept and len(kept) == len(values):
            best = kept
            break
    for x, y, area, words in best:
        look: dict[str, Any] = {"color": theme.palette.tied, "linewidth": 1.2 * theme.hair_pt, "zorder": 1}
        axes.plot([0.0, x], [0.0, y], gid=f"slope-{y / x:.6g}", **look)
        _in_area(axes, words, area, em, color=theme.palette.muted)


def _in_area(axes: Axes, words: str, area: Area, em: float, color: str) -> None:
    """Words in the middle of an area."""
    middle = (area[0] + area[2]) / 2.0, (area[1] + area[3]) / 2.0
    beside(axes, words, middle, (0.0, 0.0), em, xycoords="axes points", color=color, ha="center", va="center")


def _words(axes: Axes, marks: Sequence[Drawn], theme: Theme, *, in_rows: bool) -> None:
    """Words beside their marks, first those of the last marks, where they have room and their own mark is the nearest.

    None lie on a line. In rows they stand to the right or left of the mark.
    """
    named = [mark for mark in reversed(marks) if isinstance(mark, Dots) and mark.words]
    curves = [mark for mark in marks if isinstance(mark, Curve) and named]
    em, (width, height), taken = theme.em_pt, size_of(axes), list[Area]()
    to_axes = axes.transData - axes.transAxes
    points = to_axes.transform(_places(marks)) * (width, height) if named else np.empty((0, 2))
    lines = [Path(to_axes.transform(np.column_stack([mark.xs, mark.ys])) * (width, height)) for mark in curves]
    for mark in named:
        ((x, y),) = to_axes.transform(_places([mark])) * (width, height)
        others = points[np.any(points != (x, y), axis=1)]
        half = text_width_pt(mark.words, em) / 2.0
        # Beside its mark; what is ringed may stand farther off, at the end of a line.
        for times in (1.0, 2.6, 4.2) if mark.size > 1.0 else (1.0,):
            away = (0.85 + 0.6 * mark.size) * times * em
            sides = [(x, y + away), (x, y - away), (x + half + 0.8 * away, y), (x - half - 0.8 * away, y)]
            for center, middle in sides[2 * in_rows :]:
                area = (center - half - 0.2 * em, middle - 0.65 * em, center + half + 0.2 * em, middle + 0.65 * em)
                own = _distance(area, np.array([[x, y]]))
                least = 0.0 if in_rows else 1.3 * own + 0.3 * em if times == 1.0 else 0.5 * em
                is_inside = area[0] > 0.0 and area[2] < width and area[1] > 0.0 and area[3] < height
                is_free = is_inside and _distance(area, others) > least and not any(_meet(area, each) for each in taken)
                if is_free and not any(line.intersects_bbox(Bbox.from_extents(*area), filled=False) for line in lines):
                    break
            else:
                continue
            taken.append(area)
            _in_area(axes, mark.words, area, em, color=theme.palette.ink)
            if times > 1.0:
                end = middle - np.copysign(0.7 * em, middle - y)
                look: dict[str, Any] = {"color": theme.palette.muted, "linewidth": theme.hair_pt}
                axes.plot([x / width, center / width], [y / height, end / height], transform=axes.transAxes, **look)
            break


def _distance(area: Area, points: NDArray[np.float64]) -> float:
    """From the nearest of some points to an area."""
    beyond = np.maximum(0.0, np.maximum(np.array(area[:2]) - points, points - np.array(area[2:])))
    return float(np.hypot(*beyond.T).min(initial=inf))


def _meet(one: Area, other: Area) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]
