"""Bars in rows, panels side by side on scales from 0: shades of a card's color, values and intervals at their ends."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple

from matplotlib.axes import Axes
from matplotlib.colors import to_rgba

from frametime.render.charts.chart_sheet import Sheet
from frametime.render.charts.plots import LEAST_WHISKER_EM, Whisker
from frametime.render.charts.text_fit import beside, set_round_x_ticks, shorten, text_width_pt, x_caption
from frametime.render.charts.theme import Theme
from frametime.render.numbers import format_like
from frametime.statistics.differences import Interval

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


class Bar(NamedTuple):
    """One bar: a value with its interval, the number of its card among the cards, of its metric among those shown."""

    value: float
    interval: Interval | None
    card: int
    metric: int = 0

    @property
    def end(self) -> float:
        """Where it ends, with its interval."""
        return self.value if self.interval is None else max(self.value, self.interval.high)


class BarRow(NamedTuple):
    """All bars of one row: its name, and what is said beside it (place, verdict).

    ``short`` is said where the name stands left of the bars; the subject of the review has a ground of its own.
    """

    label: str
    remark: str
    short: str
    bars: Sequence[Bar]
    is_subject: bool = False


class BarPanel(NamedTuple):
    """Rows on one scale, from 0 to beyond ``greatest``; three digits after the first one, or so many ``decimals``."""

    name: str
    unit: str
    rows: Sequence[BarRow]
    greatest: float
    decimals: int | None = None


def bar_layout(n_rows: int, n_bars: int) -> tuple[int, bool]:
    """How many of so many bars a row are shown in so many rows, and whether the names stand left of the bars.

    Examples
    --------
    >>> bar_layout(3, 3), bar_layout(8, 3), bar_layout(16, 3)
    ((3, False), (2, True), (1, True))
    """
    for head_em, least in ((_HEAD_EM, min(2, n_bars)), (0.0, 2)):
        for count in range(n_bars, least - 1, -1):
            if n_rows * (head_em + count * _BAR_EM + _LEAST_GAP_EM) <= _PANEL_EM:
                return count, head_em == 0.0
    return 1, True


def greatest_end(rows: Sequence[BarRow]) -> float:
    """Where the longest bar of some rows ends with its interval."""
    return max((bar.end for row in rows for bar in row.bars), default=0.0)


class _RowLook(NamedTuple):
    """How a row is divided, in em, and its text as a multiple of the smallest."""

    height_em: float
    head_em: float
    bar_em: float
    text_times: float

    @classmethod
    def of(cls, room_em: float, n_bars: int, head_em: float) -> _RowLook:
        """Few rows use all the room: their bars are thicker and their text is larger, up to what still looks like bars.

        Examples
        --------
        >>> few, many = _RowLook.of(9.0, 2, 1.4), _RowLook.of(4.0, 2, 1.4)
        >>> few.height_em, many.height_em, few.bar_em > many.bar_em, many.text_times
        (9.0, 4.0, True, 1.0)
        """
        height_em = min(room_em, head_em * _MOST_TEXT_TIMES + _MOST_BAR_EM * n_bars + _MOST_GAP_EM)
        gap_em = max(_LEAST_GAP_EM if height_em > _USUAL_BAR_EM else 0.2, min(_MOST_GAP_EM, _GAP_SHARE * height_em))
        text_times = min(_MOST_TEXT_TIMES, max(1.0, (height_em - head_em - gap_em) / n_bars / _USUAL_BAR_EM))
        bar_em = min(_MOST_BAR_EM, (height_em - head_em * text_times - gap_em) / n_bars)
        return cls(height_em, head_em * text_times, bar_em, text_times)


@dataclass(frozen=True, kw_only=True)
class Bars:
    """Panels of rows; of all rows those ``shown`` are drawn, on the scale of all, so that pages can be compared.

    The names stand above the bars of few rows, left of those of many.
    """

    panels: Sequence[BarPanel]
    shown: slice = field(default_factory=lambda: slice(None))

    def draw(self, sheet: Sheet) -> None:
        """Panel by panel from the left."""
        em, theme = sheet.em, sheet.theme
        gap = 2.4 * em
        width = (sheet.width - gap * (len(self.panels) - 1)) / len(self.panels)
        head = 2.0 * em if any(panel.name for panel in self.panels) else 0.3 * em
        top, bottom = sheet.top - head, sheet.bottom + 3.4 * em
        n_rows = max(1, *(len(panel.rows[self.shown]) for panel in self.panels))
        n_bars = max(1, *(len(row.bars) for panel in self.panels for row in panel.rows))
        head_em = 0.0 if bar_layout(n_rows, n_bars)[1] else _HEAD_EM
        look = _RowLook.of((top - bottom) / n_rows / em, n_bars, head_em)
        height = n_rows * look.height_em * em
        top -= (top - bottom - height) / 2.0  # a row or two stand in the middle of the room
        for number, panel in enumerate(self.panels):
            left = sheet.left + number * (width + gap)
            name = shorten(panel.name, width, theme.label_pt, bold=True)
            sheet.text(left, top + 1.0 * em, name, size_pt=theme.label_pt, bold=True)
            columns = (0.0, 0.0) if look.head_em else _columns(panel.rows, width, look.text_times * em, em)
            for place, row in enumerate(panel.rows[self.shown]):
                y = top - place * look.height_em * em
                if row.is_subject:
                    ground = left - 0.4 * em, y - look.height_em * em, width + 0.4 * em, look.height_em * em
                    sheet.box(*ground, facecolor=theme.palette.band, zorder=-1)
                _name(sheet, row, (left, y, width), columns, look)
            room = width - sum(columns)
            axes = sheet.axes(left + sum(columns), top - height, room, height)
            _panel(axes, panel, panel.rows[self.shown], room, look, theme)


def _columns(rows: Sequence[BarRow], width: float, text_pt: float, em: float) -> tuple[float, float]:
    """Widths of the names and of the short remarks left of the bars."""
    found = []
    for texts, most in (([row.label for row in rows], 0.3), ([row.short for row in rows], 0.22)):
        widest = max((text_width_pt(text, text_pt, bold=True) for text in texts), default=0.0)
        found.append(min(widest, most * width) + (0.9 * em if widest else 0.0))
    return found[0], found[1]


def _name(
    sheet: Sheet, row: BarRow, box: tuple[float, float, float], columns: tuple[float, float], look: _RowLook
) -> None:
    """Name and remark of a row, above its bars or left of them."""
    (left, top, width), em = box, sheet.em
    text_pt = look.text_times * em
    is_above = bool(look.head_em)
    y = top - (0.61 * look.head_em if is_above else look.height_em / 2.0) * em
    most = width * (0.45 if len(row.remark) > 20 else 0.66) if is_above else max(columns[0] - 0.8 * em, 0.0)
    label = shorten(row.label, most, text_pt, bold=is_above or row.is_subject)
    sheet.text(left, y, label, size_pt=text_pt, bold=is_above or row.is_subject)
    start = left + (text_width_pt(label, text_pt, bold=True) + 0.9 * em if is_above else columns[0])
    room = left + width - start if is_above else max(columns[1] - 0.8 * em, 0.0)
    remark = shorten(row.remark if is_above else row.short, room, text_pt)
    sheet.text(start, y, remark, size_pt=text_pt, color=sheet.theme.palette.muted)


def _panel(axes: Axes, panel: BarPanel, rows: Sequence[BarRow], room: float, look: _RowLook, theme: Theme) -> None:
    """Bars with their numbers; the axes count down in em."""
    em = theme.em_pt
    greatest = panel.greatest or 1.0
    decimals = max(0, min(3, 3 - math.floor(math.log10(greatest)))) if panel.decimals is None else panel.decimals
    number_of = _number_style(greatest, room / em, decimals)
    text_pt = look.text_times * em
    longest = max((text_width_pt(number_of(bar), text_pt) for row in panel.rows for bar in row.bars), default=em)
    axes.set_xlim(0.0, greatest * room / max(room - longest - 0.8 * em, 0.3 * room))
    axes.set_ylim(axes.get_position().height * theme.size.height_pt / em, 0.0)
    axes.set_yticks([])
    axes.grid(axis="x")
    axes.axvline(0.0, color=theme.palette.muted, linewidth=theme.hair_pt)
    set_round_x_ticks(axes, em)
    x_caption(axes, panel.unit, em)
    for place, row in enumerate(rows):
        top_em = place * look.height_em + look.head_em
        if not look.head_em:  # names at the left: the bars stand in the middle of their row
            top_em += (look.height_em - look.bar_em * max(1, len(row.bars))) / 2.0
        for number, bar in enumerate(row.bars):
            middle, color = top_em + (number + 0.5) * look.bar_em, theme.style(bar.card).color
            fill: dict[str, Any] = {"facecolor": to_rgba(color, SHADES[bar.metric]), "edgecolor": color}
            fill |= {"linewidth": theme.hair_pt, "gid": f"bar-{bar.metric}-{row.label}"}
            axes.barh(middle, bar.value, height=0.84 * look.bar_em, **fill)
            if bar.interval is not None:
                ends, gid = (bar.interval.low, bar.interval.high), f"interval-{bar.metric}-{row.label}"
                Whisker(ends, middle, theme.palette.ink, gid, halo=True).draw(axes, theme)
            beside(axes, number_of(bar), (bar.end, middle), (0.5 * em, 0.0), text_pt, va="center")


def _number_style(greatest: float, room_em: float, decimals: int) -> Callable[[Bar], str]:
    """How the values of one panel are written: with equal decimals, and with their intervals where there is room.

    Where there is little, the interval is written if it is too short to be seen: as the greater of its two sides.
    """

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
