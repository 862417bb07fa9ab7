"""Curves, bands and marks over an x axis: plots in columns, with a list beside them where there is one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final, Literal, NamedTuple, Protocol

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import ArrayLike

from frametime.render.charts.axis_scales import (
    round_ticks,
    set_tail_scale,
    set_x_ticks,
    set_y_ticks,
    signed_labels,
    size_of,
    tick_labels,
)
from frametime.render.charts.chart_sheet import ListEntry, Sheet, beside, dots, side_list, whisker, x_caption, y_caption
from frametime.render.charts.text_fit import shorten, text_width_pt
from frametime.render.charts.theme import LineStyle, Theme

HEAD_EM: Final = 2.3
CAPTION_EM: Final = 1.9
FOOT_EM: Final = 3.5
_GAP_EM: Final = 2.2
_LIST_EM: Final = 27.0
_LONG_S: Final = 300.0
_MOST_WORDS: Final = 4


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
    """Marks without a line between them."""

    xs: ArrayLike
    ys: ArrayLike
    marker: str
    face: str
    edge: str
    gid: str
    size: float
    line: float = 0.5
    zorder: float = 4.0

    def draw(self, axes: Axes, theme: Theme) -> None:
        """Marks that are not cut at the edge of the axes."""
        look: dict[str, Any] = {"mfc": self.face, "mec": self.edge, "clip_on": False, "zorder": self.zorder}
        dots(axes, self.xs, self.ys, self.marker, theme, size=self.size, line=self.line, gid=self.gid, **look)


class Whisker(NamedTuple):
    """An upright interval at a place."""

    x: float
    ends: tuple[float, float]
    color: str
    gid: str

    def draw(self, axes: Axes, theme: Theme) -> None:
        """A line with caps."""
        whisker(axes, self.ends, self.x, theme, color=self.color, gid=self.gid, upright=True, scale=0.8)


class Steps(NamedTuple):
    """Filled steps from 0, one a bin."""

    values: ArrayLike
    edges: ArrayLike
    color: str
    gid: str

    def draw(self, axes: Axes, theme: Theme) -> None:
        """An area with a thin edge, so that an empty bin beside a full one is seen."""
        axes.stairs(self.values, self.edges, fill=True, facecolor=self.color, linewidth=0.0, gid=self.gid)
        axes.stairs(self.values, self.edges, color=self.color, linewidth=0.7 * theme.line_pt)


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

    def draw(self, axes: Axes, theme: Theme) -> None:
        """From edge to edge."""
        across = axes.axhline if self.is_level else axes.axvline
        across(self.at, color=self.color, linewidth=theme.line_pt, linestyle=self.line, gid=self.gid)


@dataclass(frozen=True, kw_only=True)
class Plot:
    """Axes with what is drawn on them.

    ``name`` and ``remark`` stand above, as does the caption of the y axis; ``top_words`` stand at their places on the
    upper edge as far as there is room. ``height_em`` is the height of the axes alone; without it, an equal share of
    what the others leave. ``x_ticks`` *time* counts a long time in minutes, *tail* opens the slowest frames.
    """

    marks: Sequence[Drawn]
    x_limits: tuple[float, float]
    y_limits: tuple[float, float]
    x_label: str = ""
    y_label: str = ""
    name: str = ""
    remark: str = ""
    x_ticks: Literal["round", "time", "tail"] = "round"
    y_ticks: Literal["round", "change", "few", "none"] = "round"
    height_em: float | None = None
    top_words: Sequence[tuple[float, str]] = ()

    @property
    def head_em(self) -> float:
        """Height of what stands above the axes."""
        return (HEAD_EM if self.name else 0.0) + (CAPTION_EM if self.y_label else 0.0)


@dataclass(frozen=True, kw_only=True)
class Plots:
    """Columns of plots on one x axis each, and a list beside them."""

    columns: Sequence[Sequence[Plot]]
    entries: Sequence[ListEntry] = ()

    def draw(self, sheet: Sheet) -> None:
        """Column by column; only the lowest plot of each names the ticks of the x axis."""
        em = sheet.em
        right = side_list(sheet, self.entries, _LIST_EM) if self.entries else sheet.right
        tick_ems = [{"none": 0.5, "change": 4.2}.get(column[0].y_ticks, 3.6) for column in self.columns]
        gaps = _GAP_EM * em * (len(self.columns) - 1)
        width = (right - sheet.left - sum(tick_ems) * em - gaps) / len(self.columns)
        n_rows = max(map(len, self.columns))
        left = sheet.left
        for column, tick_em in zip(self.columns, tick_ems, strict=True):
            left += tick_em * em
            heads = sum(plot.head_em for plot in column) + column[0].head_em * (n_rows - len(column))
            fixed = sum(plot.height_em or 0.0 for plot in column)
            n_equal = sum(plot.height_em is None for plot in column) + n_rows - len(column)
            share = (sheet.height - (FOOT_EM + heads + fixed) * em) / max(1, n_equal)
            top = sheet.top
            for plot in column:
                height = share if plot.height_em is None else plot.height_em * em
                bottom = top - plot.head_em * em - height
                axes = sheet.axes(left, bottom, width, height)
                _draw_plot(axes, plot, sheet.theme, is_lowest=plot is column[-1])
                if plot.name:
                    _head(sheet, plot, left - tick_em * em, top - 1.35 * em, left + width)
                top = bottom
            left += width + _GAP_EM * em


def _head(sheet: Sheet, plot: Plot, left: float, y: float, right: float) -> None:
    theme, em = sheet.theme, sheet.em
    room = right - left - text_width_pt(plot.remark, em) - 1.5 * em
    sheet.text(left, y, shorten(plot.name, room, theme.label_pt, bold=True), size_pt=theme.label_pt, bold=True)
    sheet.text(right, y, plot.remark, color=theme.palette.muted, ha="right")


def _draw_plot(axes: Axes, plot: Plot, theme: Theme, *, is_lowest: bool) -> None:
    em = theme.em_pt
    axes.set_ylim(*plot.y_limits)
    if plot.x_ticks == "tail":
        set_tail_scale(axes, plot.x_limits[1], em)
    else:
        axes.set_xlim(*plot.x_limits)
        is_long = plot.x_ticks == "time" and plot.x_limits[1] >= _LONG_S
        if is_long:  # the axes themselves stay in seconds
            most = max(2, int(size_of(axes)[0] / (5.0 * em)))
            minutes = round_ticks(0.0, plot.x_limits[1] / 60.0, most)
            axes.set_xticks([60.0 * minute for minute in minutes], tick_labels(minutes))
        else:
            set_x_ticks(axes, em)
    for mark in plot.marks:
        mark.draw(axes, theme)
    if plot.y_ticks == "none":
        axes.set_yticks([])
    elif plot.y_ticks == "round":
        set_y_ticks(axes, em)
    else:
        most = 2 if plot.y_ticks == "few" else max(2, int(size_of(axes)[1] / (2.6 * em)))
        ticks = round_ticks(*plot.y_limits, most)
        axes.set_yticks(ticks, tick_labels(ticks) if plot.y_ticks == "few" else signed_labels(ticks, " %"))
    axes.grid(axis="both" if plot.x_ticks == "tail" else "x" if plot.y_ticks == "none" else "y")
    if plot.y_label:
        y_caption(axes, plot.y_label, theme)
    axes.tick_params(labelbottom=is_lowest)
    if is_lowest:
        unit = {"time": ", min" if plot.x_limits[1] >= _LONG_S else ", s"}.get(plot.x_ticks, "")
        x_caption(axes, plot.x_label + unit, theme)
    _top_words(axes, plot, theme)


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
