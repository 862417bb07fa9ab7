"""Speed against power and against price: what value and efficiency have in common."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from matplotlib.axes import Axes

from frametime.render.charts.axis_scales import round_ticks, set_x_ticks, set_y_ticks, size_of, tick_labels
from frametime.render.charts.chart_sheet import Sheet, dots, whisker, x_caption, y_caption
from frametime.render.charts.text_fit import shorten, text_width_pt
from frametime.render.charts.theme import Theme
from frametime.statistics.differences import Interval

_TABLE_EM: Final = 25.0
_NARROW_PLANE_EM: Final = 46.0
_NARROW_ROW_EM: Final = 4.9
_MOST_LINES: Final = 6


@dataclass(frozen=True, kw_only=True)
class CardPoint:
    """A card on the plane: where it lies, how sure one of the two is, and what the table beside the plane says of it.

    ``other_x`` is a second place at the same speed (the break-even price), with its interval.
    """

    index: int
    label: str
    x: float
    y: float
    lines: tuple[str, ...]
    x_interval: Interval | None = None
    y_interval: Interval | None = None
    other_x: float | None = None
    other_interval: Interval | None = None


@dataclass(frozen=True, kw_only=True)
class Plane:
    """Captions of the axes, and the unit of the lines from the origin."""

    x_label: str
    y_label: str
    slope_unit: str


def draw_plane(sheet: Sheet, points: Sequence[CardPoint], plane: Plane) -> Axes:
    """Points from 0 on both axes, with lines of equal slope, and a table of the numbers."""
    theme, em = sheet.theme, sheet.em
    lowest = sheet.bottom
    table, table_top = sheet.right - _TABLE_EM * em, sheet.top
    right = table
    if theme.is_narrow:  # the table below the plane
        table, right = sheet.left, sheet.right + 0.5 * em
        table_top = sheet.below(_table_em(len(points)) * em)
    axes = sheet.plot(right=right - 11.0 * em, head_em=3.4)
    axes.set_xlim(0.0, 1.12 * max(_ends(points)))
    axes.set_ylim(0.0, 1.15 * max(point.y if point.y_interval is None else point.y_interval.high for point in points))
    axes.spines["left"].set_visible(True)
    _slopes(axes, sheet, points, plane)
    for point in points:
        _point(axes, sheet, point, points)
    set_x_ticks(axes, em)
    set_y_ticks(axes, em)
    y_caption(axes, plane.y_label, theme)
    x_caption(axes, plane.x_label, theme)
    _table(sheet, points, (table, table_top), table_top - lowest)
    return axes


def plane_theme(theme: Theme, n_points: int) -> Theme:
    """The theme, on a narrow page high enough for a plane and a table of so many cards."""
    return theme.at_least(_NARROW_PLANE_EM + _table_em(n_points))


def _table_em(n_points: int) -> float:
    return _NARROW_ROW_EM * n_points + 0.8


def _ends(points: Sequence[CardPoint]) -> list[float]:
    ends = [point.x for point in points]
    ends += [point.other_x for point in points if point.other_x is not None]
    ends += [point.x_interval.high for point in points if point.x_interval is not None]
    return ends


def _slopes(axes: Axes, sheet: Sheet, points: Sequence[CardPoint], plane: Plane) -> None:
    """Lines of equal slope through the origin, labelled where they leave the plane."""
    theme, em = sheet.theme, sheet.em
    x_end, y_end = axes.get_xlim()[1], axes.get_ylim()[1]
    slopes = [point.y / point.x for point in points]
    # Wide enough to lie on both sides of every card, close enough to tell them apart.
    low, high = 0.8 * min(slopes), 1.25 * max(slopes)
    box = axes.get_position()
    left, bottom = box.x0 * theme.size.width_pt, box.y0 * theme.size.height_pt
    width, height = box.width * theme.size.width_pt, box.height * theme.size.height_pt
    start = left + text_width_pt(plane.y_label, em) + 1.2 * em
    placed: list[_SlopeLabel] = []
    for most in range(_MOST_LINES, 0, -1):  # fewer lines, until each has its label
        values = round_ticks(low, high, most, least=1)
        labels = [
            _slope_label(slope, words, (x_end, y_end), (left, bottom, width, height), em)
            for slope, words in zip(values, tick_labels(values), strict=True)
        ]
        placed = [label for label in labels if label.at_right or label.place - label.half >= start]
        if len(placed) == len(labels) and not _any_meet(placed):
            break
    kept: list[_SlopeLabel] = []
    for label in placed:
        if not _any_meet([*kept, label]):
            kept.append(label)
    for label in kept:
        axes.plot(
            [0.0, label.end[0]],
            [0.0, label.end[1]],
            color=theme.palette.tied,
            linewidth=1.2 * theme.hair_pt,
            zorder=1,
            gid=f"slope-{label.slope:.6g}",
        )
        if label.at_right:
            words = f"{label.words} {plane.slope_unit}"
            sheet.text(left + width + 0.4 * em, label.place, words, color=theme.palette.muted)
        else:
            sheet.text(label.place, bottom + height + 0.9 * em, label.words, color=theme.palette.muted, ha="center")


@dataclass(frozen=True, kw_only=True)
class _SlopeLabel:
    """A line of equal slope, where it leaves the plane, and where its label stands: at the right edge or above."""

    slope: float
    words: str
    end: tuple[float, float]
    at_right: bool
    place: float
    half: float


def _slope_label(
    slope: float, words: str, ends: tuple[float, float], box: tuple[float, float, float, float], em: float
) -> _SlopeLabel:
    (x_end, y_end), (left, bottom, width, height) = ends, box
    at_right = slope * x_end < y_end
    end = (x_end, slope * x_end) if at_right else (y_end / slope, y_end)
    place = bottom + end[1] / y_end * height if at_right else left + end[0] / x_end * width
    half = 0.7 * em if at_right else text_width_pt(words, em) / 2.0 + 0.3 * em
    return _SlopeLabel(slope=slope, words=words, end=end, at_right=at_right, place=place, half=half)


def _any_meet(labels: Sequence[_SlopeLabel]) -> bool:
    """Whether two labels of one edge come too near to each other."""
    return any(
        one.at_right == other.at_right and abs(one.place - other.place) < one.half + other.half
        for number, one in enumerate(labels)
        for other in labels[:number]
    )


def _point(axes: Axes, sheet: Sheet, point: CardPoint, points: Sequence[CardPoint]) -> None:
    theme, em = sheet.theme, sheet.em
    style = theme.style(point.index)
    if point.other_x is not None:
        axes.plot(
            [point.x, point.other_x],
            [point.y, point.y],
            color=style.color,
            linewidth=0.8 * theme.line_pt,
            linestyle=(0, (1.2, 1.6)),
            zorder=2,
        )
        if point.other_interval is not None:
            ends = point.other_interval.low, point.other_interval.high
            whisker(axes, ends, point.y, theme, color=style.color, gid=f"other-interval-{point.index}")
        # A smaller hollow mark; where that of a card would hide it, a ring around it.
        steps = [
            size / limit for size, limit in zip(size_of(axes), (axes.get_xlim()[1], axes.get_ylim()[1]), strict=True)
        ]
        apart = [math.hypot((point.other_x - p.x) * steps[0], (point.y - p.y) * steps[1]) for p in points]
        is_close = min(apart) < 1.1 * em
        face = "none" if is_close or theme.transparent else theme.palette.ground
        look = {"mfc": face, "mec": style.color, "zorder": 6 if is_close else 4, "gid": f"other-{point.index}"}
        dots(axes, point.other_x, point.y, style.marker, theme, size=1.6 if is_close else 0.8, line=1.2, **look)
    interval = point.y_interval or point.x_interval
    if interval is not None:
        at, upright = (point.x, True) if point.y_interval else (point.y, False)
        ends, gid = (interval.low, interval.high), f"interval-{point.index}"
        whisker(axes, ends, at, theme, color=theme.palette.ink, gid=gid, upright=upright)
    look = {"mfc": style.color, "mec": theme.palette.ink, "zorder": 5, "gid": f"card-{point.index}"}
    dots(axes, point.x, point.y, style.marker, theme, size=0.9, line=0.6, **look)


def _table(sheet: Sheet, points: Sequence[CardPoint], corner: tuple[float, float], height: float) -> None:
    """Mark, name and numbers of each card; where there are many, the first numbers beside each name."""
    theme, em = sheet.theme, sheet.em
    left, top = corner
    y = top - 0.5 * em
    room_em = height / em - 0.6
    width = sheet.right - left - 1.8 * em
    lines = [_joined_lines(point.lines, width, em) if theme.is_narrow else point.lines for point in points]
    n_lines = max(len(item) for item in lines)
    fits = [count for count in (n_lines, 1) if len(points) * (1.4 * (count + 1) + 0.6) <= room_em]
    shown = fits[0] if fits else 0
    for point, texts in list(zip(points, lines, strict=True))[: None if shown else math.floor(room_em / 1.4)]:
        style = theme.style(point.index)
        sheet.mark(left + 0.6 * em, y - 0.4 * em, style.marker, style.color)
        beside = 0.0 if shown else text_width_pt(point.lines[0], em) + 0.8 * em
        sheet.text(left + 1.8 * em, y - 0.4 * em, shorten(point.label, width - beside, em, bold=True), bold=True)
        if beside:
            sheet.text(sheet.right, y - 0.4 * em, shorten(point.lines[0], width, em), ha="right")
        for number, line in enumerate(texts[:shown]):
            sheet.text(left + 1.8 * em, y - (0.4 + 1.4 * (number + 1)) * em, shorten(line, width, em))
        y -= (1.4 * (len(texts[:shown]) + 1) + (0.6 if shown else 0.0)) * em


def _joined_lines(lines: Sequence[str], width: float, em: float) -> tuple[str, ...]:
    """The lines, two on one where both fit."""
    found: list[str] = []
    for line in lines:
        longer = f"{found[-1]} · {line}" if found else line
        if found and text_width_pt(longer, em) <= width:
            found[-1] = longer
        else:
            found.append(line)
    return tuple(found)
