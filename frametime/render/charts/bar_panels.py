"""Panels of bars: a row a card, a bar a metric, values and intervals at their ends."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from matplotlib.axes import Axes

from frametime.render.charts.axis_scales import set_x_ticks
from frametime.render.charts.chart_sheet import KeyEntry, Sheet, x_caption
from frametime.render.charts.review_labels import defined, run_counts, same_unit_metrics
from frametime.render.charts.text_fit import shorten, text_width_pt
from frametime.render.charts.theme import Theme
from frametime.render.numbers import format_like
from frametime.review.result import ReviewResult
from frametime.statistics.differences import Interval
from frametime.units import shown_unit

_BAR_EM: Final = 1.2
_HEAD_EM: Final = 1.4
_LEAST_GAP_EM: Final = 0.45
_USUAL_BAR_EM: Final = 1.9
_MOST_BAR_EM: Final = 4.2
_MOST_GAP_EM: Final = 3.2
_GAP_SHARE: Final = 0.16
_MOST_TEXT_TIMES: Final = 1.3
_WIDE_EM: Final = 34.0
_PANEL_EM: Final = 24.8


@dataclass(frozen=True, kw_only=True)
class Bar:
    """One bar: a value with its interval, and the number of its metric among those shown."""

    value: float
    interval: Interval | None
    metric: int


@dataclass(frozen=True, kw_only=True)
class BarRow:
    """All bars of one card: its name, and what is said beside it (place, verdict)."""

    label: str
    remark: str
    bars: tuple[Bar, ...]


def metrics_that_fit(result: ReviewResult, n_rows: int) -> tuple[str, ...]:
    """Metrics in the unit of the headline that can be shown together for so many cards, the headline first."""
    metrics = same_unit_metrics(result)
    for count in range(len(metrics), 1, -1):
        if n_rows * (_HEAD_EM + count * _BAR_EM + _LEAST_GAP_EM) <= _PANEL_EM:
            return metrics[:count]
    return metrics[:1]


def rows_that_fit(n_metrics: int) -> int:
    """Cards that one figure can hold."""
    return int(_PANEL_EM / (_HEAD_EM + n_metrics * _BAR_EM + _LEAST_GAP_EM))


def better_words(result: ReviewResult, metric: str) -> str:
    entry = result.metric(metric)
    return f"{shown_unit(entry.unit)}: {entry.better} is better."


def definition_words(result: ReviewResult, metrics: Sequence[str]) -> str:
    """What each metric is, a sentence each."""
    return " ".join(defined(result.metric(key).label, result.metric(key).definition) for key in metrics)


def run_words(result: ReviewResult, cells: Sequence[tuple[str, str]]) -> str:
    return run_counts([len(item.run_names) for item in result.cells if (item.scene, item.resolution) in cells])


def bar_key(result: ReviewResult, metrics: Sequence[str], theme: Theme) -> list[KeyEntry]:
    styles = [(result.metric(metric).label, theme.style(number)) for number, metric in enumerate(metrics)]
    return [KeyEntry(label=label, kind="patch", color=style.color, hatch=style.hatch) for label, style in styles]


def greatest_end(rows: Sequence[BarRow]) -> float:
    """Where the longest bar of some rows ends with its interval."""
    return max((_end(bar) for row in rows for bar in row.bars), default=0.0)


def draw_bar_panels(
    sheet: Sheet, panels: Sequence[tuple[str, Sequence[BarRow]]], unit: str, *, greatest: float
) -> None:
    """Draw rows of bars side by side, all on one scale that ``greatest`` fits on, so that pages can be compared."""
    em, theme = sheet.em, sheet.theme
    gap = 2.4 * em
    width = (sheet.width - gap * (len(panels) - 1)) / len(panels)
    head = 2.0 * em if panels[0][0] else 0.3 * em
    top, bottom = sheet.top - head, sheet.bottom + 3.4 * em
    n_rows = max(1, *(len(rows) for _, rows in panels)) if panels else 1
    n_bars = max((len(row.bars) for _, rows in panels for row in rows), default=1) or 1
    look = _row_look((top - bottom) / n_rows / em, n_bars)
    row_height = look.height_em * em
    top -= (top - bottom - n_rows * row_height) / 2.0  # a card or two stand in the middle of the room
    bottom = top - n_rows * row_height
    text_pt = look.text_times * em
    greatest = greatest or 1.0
    number_of = _number_style(greatest, with_interval=width > _WIDE_EM * em)
    for number, (name, rows) in enumerate(panels):
        left = sheet.left + number * (width + gap)
        if name:
            shown = shorten(name, width, theme.label_pt, bold=True)
            sheet.text(left, top + 1.0 * em, shown, size_pt=theme.label_pt, bold=True)
        axes = sheet.axes(left, bottom, width, top - bottom)
        longest = max((text_width_pt(number_of(bar), text_pt) for row in rows for bar in row.bars), default=em)
        axes.set_xlim(0.0, greatest * width / max(width - longest - 0.8 * em, 0.3 * width))
        axes.set_ylim((top - bottom) / em, 0.0)
        axes.set_yticks([])
        axes.grid(axis="x")
        axes.axvline(0.0, color=theme.palette.muted, linewidth=theme.hair_pt)
        set_x_ticks(axes, em)
        x_caption(axes, unit, theme)
        for place, row in enumerate(rows):
            _row(sheet, axes, row, (place * look.height_em, look), (left, top, width), number_of)


@dataclass(frozen=True, kw_only=True)
class _RowLook:
    """How the row of one card is divided, in em, and its text as a multiple of the smallest."""

    height_em: float
    head_em: float
    bar_em: float
    text_times: float


def _row_look(room_em: float, n_bars: int) -> _RowLook:
    """Few cards use all the room: their bars are thicker and their text is larger, up to what still looks like a bar.

    Examples
    --------
    >>> few, many = _row_look(9.0, 2), _row_look(4.0, 2)
    >>> few.height_em, many.height_em, few.bar_em > many.bar_em, many.text_times
    (9.0, 4.0, True, 1.0)
    """
    most_em = _HEAD_EM * _MOST_TEXT_TIMES + _MOST_BAR_EM * n_bars + _MOST_GAP_EM
    height_em = min(room_em, most_em)
    gap_em = max(_LEAST_GAP_EM, min(_MOST_GAP_EM, _GAP_SHARE * height_em))
    bar_em = (height_em - _HEAD_EM - gap_em) / n_bars
    text_times = min(_MOST_TEXT_TIMES, max(1.0, bar_em / _USUAL_BAR_EM))
    head_em = _HEAD_EM * text_times
    bar_em = min(_MOST_BAR_EM, (height_em - head_em - gap_em) / n_bars)
    return _RowLook(height_em=height_em, head_em=head_em, bar_em=bar_em, text_times=text_times)


def _row(
    sheet: Sheet,
    axes: Axes,
    row: BarRow,
    place: tuple[float, _RowLook],
    box: tuple[float, float, float],
    number_of: Callable[[Bar], str],
) -> None:
    """Name and bars of a card; the axes count down in em.

    ``place`` is where the row starts, in em, and how it is divided.
    """
    theme, em = sheet.theme, sheet.em
    left, top, width = box
    start_em, look = place
    step_em, text_pt = look.bar_em, look.text_times * em
    label = shorten(row.label, width * (0.45 if len(row.remark) > 20 else 0.66), text_pt, bold=True)
    y = top - start_em * em - 0.61 * look.head_em * em
    sheet.text(left, y, label, size_pt=text_pt, bold=True)
    start = left + text_width_pt(label, text_pt, bold=True) + 0.9 * em
    remark = shorten(row.remark, left + width - start, text_pt)
    sheet.text(start, y, remark, size_pt=text_pt, color=theme.palette.muted)
    for number, bar in enumerate(row.bars):
        style = theme.style(bar.metric)
        middle = start_em + look.head_em + (number + 0.5) * step_em
        axes.barh(
            middle,
            bar.value,
            height=0.84 * step_em,
            facecolor=style.color,
            edgecolor=theme.palette.ground if style.hatch else style.color,
            hatch=style.hatch or None,
            linewidth=0.0,
            gid=f"bar-{bar.metric}-{row.label}",
        )
        if bar.interval is not None:
            # Twice: a wide line of the ground below the line itself, so that it is seen on its bar as well.
            for color, scale, gid in (
                (theme.palette.ground, 3.0, "halo"),
                (theme.palette.ink, 1.1, f"interval-{bar.metric}-{row.label}"),
            ):
                axes.plot(
                    [bar.interval.low, bar.interval.high],
                    [middle, middle],
                    color=color,
                    linewidth=scale * theme.line_pt,
                    marker="|",
                    markersize=0.55 * em,
                    markeredgewidth=scale * theme.line_pt,
                    gid=gid,
                )
        axes.annotate(
            number_of(bar),
            (_end(bar), middle),
            xytext=(0.5 * em, 0.0),
            textcoords="offset points",
            va="center",
            ha="left",
            fontsize=text_pt,
            annotation_clip=False,
        )


def _end(bar: Bar) -> float:
    return bar.value if bar.interval is None else max(bar.value, bar.interval.high)


def _number_style(greatest: float, *, with_interval: bool) -> Callable[[Bar], str]:
    """How the values of one figure are written: with equal decimals, and with their intervals where there is room."""
    decimals = max(0, min(2, 3 - math.floor(math.log10(greatest))))

    def number(bar: Bar) -> str:
        if bar.interval is None or not with_interval:
            return format_like(bar.value, decimals=decimals)
        value, low, high = (
            format_like(number, decimals=decimals) for number in (bar.value, bar.interval.low, bar.interval.high)
        )
        return f"{value} ({low} to {high})"

    return number
