"""Panels of bars: a row a card in its color, a bar a metric in a shade of it, values and intervals at their ends."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

from matplotlib.axes import Axes
from matplotlib.colors import to_rgba

from frametime.render.charts.axis_scales import set_x_ticks
from frametime.render.charts.chart_sheet import LEAST_WHISKER_EM, KeyEntry, Sheet, whisker, x_caption
from frametime.render.charts.review_labels import same_unit_metrics
from frametime.render.charts.text_fit import shorten, text_width_pt
from frametime.render.charts.theme import Theme
from frametime.render.numbers import format_like
from frametime.review.result import ReviewResult
from frametime.statistics.differences import Interval

MOST_ROWS: Final = 20
"""Cards of one figure."""

SHADES: Final = (1.0, 0.5, 0.25)
"""How opaque the bars of the first, second and third metric are: all in the color of their card."""

_BAR_EM: Final = 1.2
_HEAD_EM: Final = 1.4
_LEAST_GAP_EM: Final = 0.45
_USUAL_BAR_EM: Final = 1.9
_MOST_BAR_EM: Final = 4.2
_MOST_GAP_EM: Final = 3.2
_GAP_SHARE: Final = 0.16
_MOST_TEXT_TIMES: Final = 1.3
_WIDE_EM: Final = 34.0
_NARROW_EM: Final = 20.0
_PANEL_EM: Final = 24.8


@dataclass(frozen=True, kw_only=True)
class Bar:
    """One bar: a value with its interval, and the number of its metric among those shown."""

    value: float
    interval: Interval | None
    metric: int = 0


@dataclass(frozen=True, kw_only=True)
class BarRow:
    """All bars of one card: its number among the cards, its name, and what is said beside it (place, verdict).

    ``short`` is said where the name stands left of the bars; the subject of the review has a ground of its own.
    """

    card: int
    label: str
    remark: str
    short: str
    bars: tuple[Bar, ...]
    is_subject: bool = False


@dataclass(frozen=True, kw_only=True)
class BarPanel:
    """Rows on one scale, from 0 to beyond ``greatest``; of all rows those ``shown``, so that pages can be compared."""

    name: str
    unit: str
    rows: Sequence[BarRow]
    greatest: float
    shown: slice = field(default_factory=lambda: slice(None))


def bar_layout(n_rows: int, n_metrics: int) -> tuple[int, bool]:
    """How many metrics are shown for so many cards, and whether the names stand left of the bars.

    Examples
    --------
    >>> bar_layout(3, 3), bar_layout(8, 3), bar_layout(16, 3)
    ((3, False), (2, True), (1, True))
    """
    least = min(2, n_metrics)
    for head_em, counts in ((_HEAD_EM, range(n_metrics, least - 1, -1)), (0.0, range(n_metrics, 1, -1))):
        for count in counts:
            if n_rows * (head_em + count * _BAR_EM + _LEAST_GAP_EM) <= _PANEL_EM:
                return count, head_em == 0.0
    return 1, True


def metrics_that_fit(result: ReviewResult, n_rows: int) -> tuple[str, ...]:
    """Metrics in the unit of the headline that can be shown together for so many cards, the headline first."""
    metrics = same_unit_metrics(result)
    return metrics[: bar_layout(n_rows, len(metrics))[0]]


def bar_key(result: ReviewResult, metrics: Sequence[str], theme: Theme) -> list[KeyEntry]:
    """A shade for each metric, and the ground of the subject."""
    labels = [result.metric(metric).label for metric in metrics]
    ink, band = theme.palette.undecided, theme.palette.band
    entries = [
        KeyEntry(label, ink, "patch", alpha=shade)
        for label, shade in zip(labels, SHADES, strict=False)
        if len(labels) > 1
    ]
    return entries + ([KeyEntry("what this review is about", band, "patch")] if result.subject else [])


def greatest_end(rows: Sequence[BarRow]) -> float:
    """Where the longest bar of some rows ends with its interval."""
    return max((_end(bar) for row in rows for bar in row.bars), default=0.0)


def draw_bar_panels(sheet: Sheet, panels: Sequence[BarPanel]) -> None:
    """Draw rows of bars, panels side by side; the names stand above the bars of few cards, left of those of many."""
    em, theme = sheet.em, sheet.theme
    gap = 2.4 * em
    width = (sheet.width - gap * (len(panels) - 1)) / len(panels)
    head = 2.0 * em if panels[0].name else 0.3 * em
    top, bottom = sheet.top - head, sheet.bottom + 3.4 * em
    n_rows = max(1, *(len(panel.rows[panel.shown]) for panel in panels))
    n_bars = max((len(row.bars) for panel in panels for row in panel.rows), default=1) or 1
    _, is_left = bar_layout(n_rows, n_bars)
    look = _row_look((top - bottom) / n_rows / em, n_bars, 0.0 if is_left else _HEAD_EM)
    row_height = look.height_em * em
    top -= (top - bottom - n_rows * row_height) / 2.0  # a card or two stand in the middle of the room
    bottom = top - n_rows * row_height
    text_pt = look.text_times * em
    for number, panel in enumerate(panels):
        left = sheet.left + number * (width + gap)
        if panel.name:
            shown = shorten(panel.name, width, theme.label_pt, bold=True)
            sheet.text(left, top + 1.0 * em, shown, size_pt=theme.label_pt, bold=True)
        columns = _columns(panel.rows, width, text_pt, em) if is_left else (0.0, 0.0)
        room = width - sum(columns)
        for place, row in enumerate(panel.rows[panel.shown]):
            if row.is_subject:
                y = top - (place + 1) * row_height
                sheet.box(left - 0.4 * em, y, width + 0.4 * em, row_height, facecolor=theme.palette.band, zorder=-1)
        axes = sheet.axes(left + sum(columns), bottom, room, top - bottom)
        greatest = panel.greatest or 1.0
        number_of = _number_style(greatest, room / em)
        longest = max((text_width_pt(number_of(bar), text_pt) for row in panel.rows for bar in row.bars), default=em)
        axes.set_xlim(0.0, greatest * room / max(room - longest - 0.8 * em, 0.3 * room))
        axes.set_ylim((top - bottom) / em, 0.0)
        axes.set_yticks([])
        axes.grid(axis="x")
        axes.axvline(0.0, color=theme.palette.muted, linewidth=theme.hair_pt)
        set_x_ticks(axes, em)
        x_caption(axes, panel.unit, theme)
        for place, row in enumerate(panel.rows[panel.shown]):
            middle = top - (place + 0.5) * row_height
            if is_left:
                _name_left(sheet, row, (left, middle), columns, text_pt)
            else:
                _name_above(sheet, row, (left, top - place * row_height, width), look)
            _bars(axes, row, place * look.height_em, look, theme, number_of)


@dataclass(frozen=True, kw_only=True)
class _RowLook:
    """How the row of one card is divided, in em, and its text as a multiple of the smallest."""

    height_em: float
    head_em: float
    bar_em: float
    text_times: float


def _row_look(room_em: float, n_bars: int, head_em: float) -> _RowLook:
    """Few cards use all the room: their bars are thicker and their text is larger, up to what still looks like a bar.

    Examples
    --------
    >>> few, many = _row_look(9.0, 2, 1.4), _row_look(4.0, 2, 1.4)
    >>> few.height_em, many.height_em, few.bar_em > many.bar_em, many.text_times
    (9.0, 4.0, True, 1.0)
    """
    height_em = min(room_em, head_em * _MOST_TEXT_TIMES + _MOST_BAR_EM * n_bars + _MOST_GAP_EM)
    gap_em = max(_LEAST_GAP_EM if height_em > _USUAL_BAR_EM else 0.2, min(_MOST_GAP_EM, _GAP_SHARE * height_em))
    bar_em = (height_em - head_em - gap_em) / n_bars
    text_times = min(_MOST_TEXT_TIMES, max(1.0, bar_em / _USUAL_BAR_EM))
    bar_em = min(_MOST_BAR_EM, (height_em - head_em * text_times - gap_em) / n_bars)
    return _RowLook(height_em=height_em, head_em=head_em * text_times, bar_em=bar_em, text_times=text_times)


def _columns(rows: Sequence[BarRow], width: float, text_pt: float, em: float) -> tuple[float, float]:
    """Widths of the names and of the short remarks left of the bars."""
    found = []
    for texts, most in (([row.label for row in rows], 0.3), ([row.short for row in rows], 0.22)):
        widest = max((text_width_pt(text, text_pt, bold=True) for text in texts), default=0.0)
        found.append(min(widest, most * width) + (0.9 * em if widest else 0.0))
    return found[0], found[1]


def _name_left(
    sheet: Sheet, row: BarRow, place: tuple[float, float], columns: tuple[float, float], text_pt: float
) -> None:
    (left, y), em = place, sheet.em
    for text, width, bold in ((row.label, columns[0], row.is_subject), (row.short, columns[1], False)):
        color = None if text is row.label else sheet.theme.palette.muted
        shown = shorten(text, max(width - 0.8 * em, 0.0), text_pt, bold=bold)
        sheet.text(left, y, shown, size_pt=text_pt, bold=bold, color=color)
        left += width


def _name_above(sheet: Sheet, row: BarRow, box: tuple[float, float, float], look: _RowLook) -> None:
    (left, top, width), em = box, sheet.em
    text_pt = look.text_times * em
    label = shorten(row.label, width * (0.45 if len(row.remark) > 20 else 0.66), text_pt, bold=True)
    y = top - 0.61 * look.head_em * em
    sheet.text(left, y, label, size_pt=text_pt, bold=True)
    start = left + text_width_pt(label, text_pt, bold=True) + 0.9 * em
    remark = shorten(row.remark, left + width - start, text_pt)
    sheet.text(start, y, remark, size_pt=text_pt, color=sheet.theme.palette.muted)


def _bars(
    axes: Axes, row: BarRow, start_em: float, look: _RowLook, theme: Theme, number_of: Callable[[Bar], str]
) -> None:
    """The bars of a card; the axes count down in em."""
    em, color = theme.em_pt, theme.style(row.card).color
    top_em = start_em + look.head_em
    if not look.head_em:  # names at the left: the bars stand in the middle of their row
        top_em += (look.height_em - look.bar_em * max(1, len(row.bars))) / 2.0
    for number, bar in enumerate(row.bars):
        middle = top_em + (number + 0.5) * look.bar_em
        axes.barh(
            middle,
            bar.value,
            height=0.84 * look.bar_em,
            facecolor=to_rgba(color, SHADES[bar.metric]),
            edgecolor=color,
            linewidth=theme.hair_pt,
            gid=f"bar-{bar.metric}-{row.label}",
        )
        if bar.interval is not None:
            ends, gid = (bar.interval.low, bar.interval.high), f"interval-{bar.metric}-{row.label}"
            whisker(axes, ends, middle, theme, color=theme.palette.ink, gid=gid, halo=True)
        axes.annotate(
            number_of(bar),
            (_end(bar), middle),
            xytext=(0.5 * em, 0.0),
            textcoords="offset points",
            va="center",
            ha="left",
            fontsize=look.text_times * em,
            annotation_clip=False,
        )


def _end(bar: Bar) -> float:
    return bar.value if bar.interval is None else max(bar.value, bar.interval.high)


def _number_style(greatest: float, room_em: float) -> Callable[[Bar], str]:
    """How the values of one panel are written: with equal decimals, and with their intervals where there is room.

    Where there is little, the interval is written if it is too short to be seen: as the greater of its two sides.
    """
    decimals = max(0, min(3, 3 - math.floor(math.log10(greatest))))

    def number(bar: Bar) -> str:
        value = format_like(bar.value, decimals=decimals)
        if bar.interval is None:
            return value
        low, high = bar.interval.low, bar.interval.high
        if room_em > _WIDE_EM:
            return f"{value} ({format_like(low, decimals=decimals)} to {format_like(high, decimals=decimals)})"
        if room_em > _NARROW_EM and (high - low) / greatest * 0.8 * room_em < LEAST_WHISKER_EM:
            return f"{value} ± {format_like(max(high - bar.value, bar.value - low), decimals=decimals)}"
        return value

    return number
