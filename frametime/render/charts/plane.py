"""Points on a plane with a list beside it: speed against price and against power."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

from matplotlib.axes import Axes

from frametime.render.charts.axis_scales import round_ticks, set_x_ticks, set_y_ticks, size_of, tick_labels
from frametime.render.charts.chart_sheet import (
    Chart,
    KeyEntry,
    ListEntry,
    Sheet,
    dots,
    list_em,
    side_list,
    whisker,
    x_caption,
    y_caption,
)
from frametime.render.charts.review_view import PagedChart, ReviewView
from frametime.render.charts.text_fit import text_width_pt
from frametime.render.charts.theme import LineStyle, Theme
from frametime.render.numbers import format_number, format_quantity
from frametime.render.review_words import change_words
from frametime.review.result_tables import EfficiencyRow, ValueRow
from frametime.statistics.differences import Interval
from frametime.units import shown_unit
from frametime.words import money, money_words

NARROW_PLANE_EM: Final = 46.0
_LIST_EM: Final = 25.0
_SLOPE_EM: Final = 11.0
_MOST_LINES: Final = 6


@dataclass(frozen=True, kw_only=True)
class PlanePoint:
    """A mark with its intervals, and words that stand beside it where they have room; first those of the first points.

    ``other_x`` is a second place at the same height (the break-even price), with its interval.
    """

    x: float
    y: float
    marker: str
    face: str
    edge: str
    gid: str
    size: float = 0.9
    line: float = 0.6
    x_interval: Interval | None = None
    y_interval: Interval | None = None
    other_x: float | None = None
    other_interval: Interval | None = None
    words: str = ""

    def ends(self) -> tuple[float, float]:
        """How far it reaches to the right and up."""
        right = [self.x, self.other_x or self.x, self.x_interval.high if self.x_interval else self.x]
        return max(right), self.y_interval.high if self.y_interval else self.y


class PlaneLine(NamedTuple):
    """A line through the plane."""

    xs: Sequence[float]
    ys: Sequence[float]
    color: str
    gid: str
    style: LineStyle = "-"


@dataclass(frozen=True, kw_only=True)
class Plane:
    """Points and lines between limits, with captions; with ``slope_unit``, from 0 and with lines of equal slope."""

    points: Sequence[PlanePoint]
    x_limits: tuple[float, float]
    y_limits: tuple[float, float]
    x_label: str
    y_label: str
    entries: Sequence[ListEntry]
    slope_unit: str = ""
    lines: Sequence[PlaneLine] = ()

    def draw(self, sheet: Sheet) -> None:
        """The plane at the left, or on a narrow page above; the list beside or below."""
        em, theme = sheet.em, sheet.theme
        right = side_list(sheet, self.entries, _LIST_EM) - (_SLOPE_EM if self.slope_unit else 0.0) * em
        axes = sheet.plot(left_em=4.6, right=right, head_em=3.4 if self.slope_unit else 2.0)
        axes.set_xlim(*self.x_limits)
        axes.set_ylim(*self.y_limits)
        axes.spines["left"].set_visible(True)
        if self.slope_unit:
            _slopes(axes, sheet, self)
        else:
            axes.grid(axis="both")
        for line in self.lines:
            look: dict[str, Any] = {"color": line.color, "linestyle": line.style, "linewidth": theme.line_pt}
            axes.plot(line.xs, line.ys, gid=line.gid, zorder=2, **look)
        for number, point in enumerate(self.points):
            _point(axes, theme, point, self.points, zorder=5.0 - 0.001 * number)
        set_x_ticks(axes, em, spacing_em=6.0)
        set_y_ticks(axes, em)
        y_caption(axes, self.y_label, theme)
        x_caption(axes, self.x_label, theme)
        _words(sheet, axes, self.points)


def least_em(entries: Sequence[ListEntry]) -> float:
    """Height of a plane and a list of these entries on a narrow page."""
    return NARROW_PLANE_EM + list_em(entries)


def _slopes(axes: Axes, sheet: Sheet, plane: Plane) -> None:
    """Lines of equal slope through the origin, labeled where they leave the plane."""
    theme, em = sheet.theme, sheet.em
    slopes = [point.y / point.x for point in plane.points]
    # Wide enough to lie on both sides of every card, close enough to tell them apart.
    low, high = 0.8 * min(slopes), 1.25 * max(slopes)
    box = axes.get_position()
    left, bottom = box.x0 * theme.size.width_pt, box.y0 * theme.size.height_pt
    width, height = size_of(axes)
    start = left + text_width_pt(plane.y_label, em) + 1.2 * em
    kept: list[_SlopeLabel] = []
    for most in range(_MOST_LINES, 0, -1):  # fewer lines, until each has its label
        values = round_ticks(low, high, most, least=1)
        labels = [
            _SlopeLabel.of(slope, words, plane, (left, bottom, width, height), em)
            for slope, words in zip(values, tick_labels(values), strict=True)
        ]
        kept = []
        for label in labels:
            has_room = label.at_right or label.place - label.half >= start
            if has_room and not any(label.meets(other) for other in kept):
                kept.append(label)
        if len(kept) == len(labels):
            break
    for label in kept:
        look: dict[str, Any] = {"color": theme.palette.tied, "linewidth": 1.2 * theme.hair_pt, "zorder": 1}
        axes.plot([0.0, label.end[0]], [0.0, label.end[1]], gid=f"slope-{label.slope:.6g}", **look)
        if label.at_right:
            words = f"{label.words} {plane.slope_unit}"
            sheet.text(left + width + 0.4 * em, label.place, words, color=theme.palette.muted)
        else:
            sheet.text(label.place, bottom + height + 0.9 * em, label.words, color=theme.palette.muted, ha="center")


class _SlopeLabel(NamedTuple):
    """A line of equal slope, where it leaves the plane, and where its label stands: at the right edge or above."""

    slope: float
    words: str
    end: tuple[float, float]
    at_right: bool
    place: float
    half: float

    @classmethod
    def of(
        cls, slope: float, words: str, plane: Plane, box: tuple[float, float, float, float], em: float
    ) -> _SlopeLabel:
        (left, bottom, width, height), x_end, y_end = box, plane.x_limits[1], plane.y_limits[1]
        at_right = slope * x_end < y_end
        end = (x_end, slope * x_end) if at_right else (y_end / slope, y_end)
        place = bottom + end[1] / y_end * height if at_right else left + end[0] / x_end * width
        half = 0.7 * em if at_right else text_width_pt(words, em) / 2.0 + 0.3 * em
        return cls(slope, words, end, at_right, place, half)

    def meets(self, other: _SlopeLabel) -> bool:
        """Whether it comes too near to another label at its edge."""
        return self.at_right == other.at_right and abs(self.place - other.place) < self.half + other.half


def _point(axes: Axes, theme: Theme, point: PlanePoint, points: Sequence[PlanePoint], zorder: float) -> None:
    em = theme.em_pt
    if point.other_x is not None:
        xs, ys = [point.x, point.other_x], [point.y, point.y]
        dotted: dict[str, Any] = {"linewidth": 0.8 * theme.line_pt, "linestyle": (0, (1.2, 1.6)), "zorder": 2}
        axes.plot(xs, ys, color=point.face, **dotted)
        if point.other_interval is not None:
            ends = point.other_interval.low, point.other_interval.high
            whisker(axes, ends, point.y, theme, color=point.face, gid=f"other-interval-{point.gid}")
        # A smaller hollow mark; where that of a card would hide it, a ring around it.
        limits = axes.get_xlim()[1], axes.get_ylim()[1]
        x_step, y_step = (size / limit for size, limit in zip(size_of(axes), limits, strict=True))
        apart = [math.hypot((point.other_x - item.x) * x_step, (point.y - item.y) * y_step) for item in points]
        is_close = min(apart) < 1.1 * em
        face = "none" if is_close or theme.transparent else theme.palette.ground
        look: dict[str, Any] = {"mfc": face, "mec": point.face, "zorder": 6 if is_close else 4}
        look |= {"size": 1.6 if is_close else 0.8, "line": 1.2, "gid": f"other-{point.gid}"}
        dots(axes, point.other_x, point.y, point.marker, theme, **look)
    for interval, at, upright in ((point.x_interval, point.y, False), (point.y_interval, point.x, True)):
        if interval is not None:
            ends, gid = (interval.low, interval.high), f"interval-{point.gid}"
            whisker(axes, ends, at, theme, color=theme.palette.ink, gid=gid, upright=upright)
    look = {"mfc": point.face, "mec": point.edge, "zorder": zorder, "gid": point.gid}
    dots(axes, point.x, point.y, point.marker, theme, size=point.size, line=point.line, **look)


def _words(sheet: Sheet, axes: Axes, points: Sequence[PlanePoint]) -> None:
    """Words beside the marks, where they have room and their own mark is the nearest."""
    em, size = sheet.em, sheet.theme.size
    box = axes.get_position()
    left, bottom = box.x0 * size.width_pt, box.y0 * size.height_pt
    width, height = size_of(axes)

    def place(point: PlanePoint) -> tuple[float, float]:
        x, y = axes.transLimits.transform((point.x, point.y))
        return left + float(x) * width, bottom + float(y) * height

    marks = {place(point) for point in points}
    taken: list[tuple[float, float, float, float]] = []
    for point in (point for point in points if point.words):
        half = text_width_pt(point.words, em) / 2.0
        x, y = place(point)
        # Beside its mark; what is ringed may stand farther off, at the end of a line.
        for times in (1.0, 2.6, 4.2) if point.size > 1.0 else (1.0,):
            away = (0.85 + 0.6 * point.size) * times * em
            beside = half + 0.8 * away
            for center, middle in ((x, y + away), (x, y - away), (x + beside, y), (x - beside, y)):
                area = (center - half - 0.2 * em, middle - 0.65 * em, center + half + 0.2 * em, middle + 0.65 * em)
                is_inside = area[0] > left and area[2] < left + width and bottom < area[1] and area[3] < bottom + height
                nearest = min((_distance(area, mark) for mark in marks if mark != (x, y)), default=math.inf)
                least = 1.3 * _distance(area, (x, y)) + 0.3 * em if times == 1.0 else 0.5 * em
                if is_inside and nearest > least and not any(_meet(area, other) for other in taken):
                    taken.append(area)
                    sheet.text(center, middle, point.words, ha="center")
                    if times > 1.0:
                        sheet.line((x, y), (center, middle - math.copysign(0.7 * em, middle - y)))
                    break
            else:
                continue
            break


def _distance(area: tuple[float, float, float, float], point: tuple[float, float]) -> float:
    """From a point to the nearest part of an area."""
    x, y = point
    return math.hypot(max(area[0] - x, 0.0, x - area[2]), max(area[1] - y, 0.0, y - area[3]))


def _meet(one: tuple[float, float, float, float], other: tuple[float, float, float, float]) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


Placed = tuple[str, dict[str, Any], list[str]]
"""A card with its place on the plane and the lines of the list."""


def _cards(kind: str, view: ReviewView, placed: Sequence[Placed], values: dict[str, object], **asked: Any) -> Chart:
    """Cards on a plane from 0 with lines of equal slope."""
    points, entries, ink = [], [], view.theme.palette.ink
    for card, place, lines in placed:
        style = view.style(card)
        points.append(
            PlanePoint(**place, marker=style.marker, face=style.color, edge=ink, gid=f"card-{view.number(card)}")
        )
        entries.append(ListEntry(view.label(card), lines, style.marker, style.color))
    right, top = (max(ends) for ends in zip(*(point.ends() for point in points), strict=True))
    key = asked.pop("key")
    asked |= {"x_limits": (0.0, 1.12 * right), "y_limits": (0.0, 1.15 * top)}
    body = Plane(points=points, entries=entries, **asked)
    return Chart(kind=kind, values=values, key=key, body=body, least_em=least_em(entries))


def _value_rows(view: ReviewView, *, cut: str = "all") -> list[list[ValueRow]]:
    """All cards with a price in one figure."""
    rows = [row for row in view.result.value if row.cut == cut and not row.stands_apart]
    rows = [row for row in rows if row.price and row.mean_value]
    return [rows] if rows else []


def _value(view: ReviewView, rows: list[ValueRow], *, cut: str = "all") -> Chart:
    result, metric, ink = view.result, view.metric(rows[0].metric), view.theme.palette.ink
    currency, unit = rows[0].currency or "price", shown_unit(metric.unit)
    standings = {item.card: item for item in result.standings if (item.cut, item.metric) == (cut, metric.key)}
    placed: list[Placed] = []
    for row in rows:
        assert row.price is not None and row.mean_value is not None
        standing = standings.get(row.card)
        place: dict[str, Any] = {"x": row.price, "y": row.mean_value}
        place["y_interval"] = None if standing is None else standing.mean_interval
        lines = [f"{format_quantity(row.mean_value, '1')} {unit} for {money(row.price)} {currency}"]
        if row.fps_per_money is not None:
            lines.append(f"{format_number(row.fps_per_money, digits=3)} {unit} per {currency}")
        if row.card == result.baseline:
            lines.append("baseline")
        elif row.break_even_price is not None:
            place |= {"other_x": row.break_even_price, "other_interval": row.break_even_interval}
            lines.append(f"break-even {money_words(row.break_even_price, row.break_even_interval)} {currency}")
        placed.append((row.card, place, lines))
    values: dict[str, object] = {
        "cut": result.cut(cut).label,
        "unit": unit,
        "currency": currency,
        "cells": view.cells_words(cut),
        "runs": view.runs_words(),
        "without": ", ".join(card.label for card in result.cards if card.price is None) or None,
        "apart": view.apart_words(cut),
        "definition": metric.definition,
        "baseline": view.label(result.baseline),
    }
    key = [
        KeyEntry("card at its price", ink, "marker", "o"),
        KeyEntry("at its break-even price", ink, "marker", "o", filled=False),
        KeyEntry(f"equal value, {unit} per {currency}", view.theme.palette.tied, "line"),
    ]
    labels = {"x_label": f"price, {currency}", "y_label": f"{metric.label}, {unit}", "slope_unit": f"{unit}/{currency}"}
    return _cards("value", view, placed, values, key=key, **labels)


draw_value: Final = PagedChart(_value_rows, _value)
"""Every card that has a price, over one ``cut``: speed against price, and the break-even prices."""


def _efficiency_rows(view: ReviewView, *, cut: str = "all") -> list[list[EfficiencyRow]]:
    """All cards with power and speed in one figure."""
    rows = [row for row in view.result.efficiency if row.cut == cut and not row.stands_apart]
    rows = [row for row in rows if row.average_power_w and row.mean_rate_fps]
    return [rows] if rows else []


def _efficiency(view: ReviewView, rows: list[EfficiencyRow], *, cut: str = "all") -> Chart:
    result, palette = view.result, view.theme.palette
    cells = result.cells_of(cut, "power")
    placed: list[Placed] = []
    for row in rows:
        assert row.average_power_w is not None and row.mean_rate_fps is not None
        place = {"x": row.average_power_w, "y": row.mean_rate_fps, "x_interval": row.average_power_interval}
        lines = [f"{format_number(row.mean_rate_fps)} fps at {format_number(row.average_power_w)} W"]
        if row.frames_per_joule is not None:
            lines.append(f"{format_number(row.frames_per_joule, digits=3)} frames/J")
        if row.card == result.baseline:
            lines.append("baseline")
        elif row.efficiency_ratio is not None:
            lines.append(f"{change_words(row.efficiency_ratio, row.efficiency_interval)} frames/J")
        placed.append((row.card, place, lines))
    known = (*cells.cards, *cells.apart)
    values: dict[str, object] = {
        "cut": result.cut(cut).label,
        "cells": view.cells_words(cut, "power"),
        "runs": view.runs_words(),
        "without": ", ".join(card.label for card in result.cards if card.key not in known) or None,
        "apart": view.apart_words(cut, "power"),
    }
    card, line = KeyEntry("card", palette.ink, "marker", "o"), KeyEntry("equal frames per joule", palette.tied, "line")
    labels = {"x_label": "average power, W", "y_label": "average rate, fps", "slope_unit": "frames/J"}
    return _cards("efficiency", view, placed, values, key=[card, line], **labels)


draw_efficiency: Final = PagedChart(_efficiency_rows, _efficiency)
"""Every card with a sensor log, over one ``cut``: average rate against average power."""
