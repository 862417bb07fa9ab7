"""Map of the settings tried while tuning: core and memory offsets, what passed, what failed, and the gain."""

from __future__ import annotations

import math
from typing import Final

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from frametime.render.charts.axis_scales import set_x_ticks, set_y_ticks
from frametime.render.charts.chart_sheet import KeyEntry, Sheet, dots, x_caption, y_caption
from frametime.render.charts.text_fit import shorten, text_width_pt
from frametime.render.charts.theme import Theme
from frametime.render.review_words import change_words
from frametime.tuning.judging.tuning_summary import MapCell, TuningSummary
from frametime.tuning.record import STOCK, Setting
from frametime.words import counted, percent_change

WARNING: Final = (
    "Tuning can make a system unstable, corrupt data and shorten a card's life: stay within the manufacturer's limits."
)

_TABLE_EM: Final = 22.0
_NARROW_TABLE_EM: Final = 13.5
_NARROW_HEIGHT_EM: Final = 66.0


def draw_tuning_map(summary: TuningSummary, theme: Theme) -> Figure:
    """Every setting that was tried, at its offsets.

    Parameters
    ----------
    summary : TuningSummary
    theme : Theme

    Returns
    -------
    Figure
        One pair of axes: core offset and memory offset in MHz.
    """
    heaviest = summary.workloads[-1]
    n_runs = [row.n_runs for row in summary.settings if row.workload == heaviest]
    edge = {item.setting for item in summary.past_edge}
    theme = theme.at_least(_NARROW_HEIGHT_EM)
    with theme.settings():
        sheet = Sheet(
            theme,
            title=f"Tuning map: {summary.card}",
            lead="Higher clocks lie farther right and farther up; 0 MHz is stock. Not every higher clock is faster.",
            notes=[
                f"Number: gain in average FPS over stock (more is better) under {heaviest}, the heaviest workload, "
                f"from {max(n_runs, default=0)} runs of a setting at most; 95 % intervals in the list.",
                WARNING,
            ],
            full=[
                "Average FPS: frames over time. Failed: artifacts, a freeze, a driver reset, or a workload that did "
                "not finish, under any workload. Past the edge: credibly slower than a lower clock. Intervals: from "
                "the scatter of the runs."
            ],
        )
        sheet.key(_key(theme, past_edge=bool(edge)))
        table, right = (sheet.right - _TABLE_EM * sheet.em, sheet.top), sheet.right - (_TABLE_EM + 2.5) * sheet.em
        if theme.is_narrow:
            table, right = (sheet.left, sheet.below(_NARROW_TABLE_EM * sheet.em)), sheet.right
        axes = sheet.plot(left_em=4.6, head_em=2.0, right=right)
        _limits(axes, summary)
        for cell in summary.clock_map:
            _mark(axes, cell, theme, past_edge=cell.setting in edge)
        for setting, gid, marker in ((summary.best, "best", "s"), (summary.everyday, "everyday", "D")):
            if setting is not None:
                look = {"mfc": "none", "mec": theme.palette.ink, "zorder": 5, "gid": gid}
                x, y = setting.core_offset_mhz, setting.memory_offset_mhz
                dots(axes, x, y, marker, theme, size=1.5, line=1.1, **look)
        set_x_ticks(axes, sheet.em, spacing_em=6.0)
        set_y_ticks(axes, sheet.em)
        axes.grid(axis="both")
        y_caption(axes, "memory offset, MHz", theme)
        x_caption(axes, "core offset, MHz", theme)
        _gains(sheet, axes, summary)
        _table(sheet, summary, table)
        return sheet.figure


def _key(theme: Theme, *, past_edge: bool) -> list[KeyEntry]:
    palette = theme.palette
    entries = [
        KeyEntry("passed", palette.ahead, "marker", "o"),
        KeyEntry("failed", palette.behind, "marker", "X"),
        KeyEntry("best so far", palette.ink, "marker", "s", filled=False),
        KeyEntry("everyday", palette.ink, "marker", "D", filled=False),
    ]
    if past_edge:
        entries.insert(1, KeyEntry("past the edge", palette.ahead, "marker", "v"))
    return entries


def _limits(axes: Axes, summary: TuningSummary) -> None:
    """Room around every setting, 0 and the settings of note."""
    settings = [cell.setting for cell in summary.clock_map]
    settings += [setting for setting in (summary.best, summary.everyday, STOCK) if setting is not None]
    for set_limits, values, least in (
        (axes.set_xlim, [setting.core_offset_mhz for setting in settings], 100.0),
        (axes.set_ylim, [setting.memory_offset_mhz for setting in settings], 100.0),
    ):
        low, high = float(min(values)), float(max(values))
        room = 0.09 * max(high - low, least)
        set_limits(low - room, max(high, low + least) + room)


def _mark(axes: Axes, cell: MapCell, theme: Theme, *, past_edge: bool) -> None:
    failed = cell.status == "failed"
    color = theme.palette.behind if failed else theme.palette.ahead
    x, y = cell.setting.core_offset_mhz, cell.setting.memory_offset_mhz
    look = {"mfc": color, "mec": theme.palette.ink, "zorder": 4, "gid": f"{cell.status}-{x}-{y}"}
    dots(axes, x, y, "X" if failed else "v" if past_edge else "o", theme, size=0.75, line=0.5, **look)


def _gains(sheet: Sheet, axes: Axes, summary: TuningSummary) -> None:
    """The gain beside each mark, the settings of note first, where it has room and its own mark is the nearest."""
    em, theme = sheet.em, sheet.theme
    of_note = [setting for setting in (summary.best, summary.everyday) if setting is not None]
    cells = sorted(
        (cell for cell in summary.clock_map if cell.gain is not None and cell.status == "passed"),
        key=lambda cell: (cell.setting not in of_note, -(cell.gain.value if cell.gain else 0.0)),
    )
    box = axes.get_position()
    left, bottom = box.x0 * theme.size.width_pt, box.y0 * theme.size.height_pt
    width, height = box.width * theme.size.width_pt, box.height * theme.size.height_pt
    (left_edge, right_edge), (bottom_edge, top_edge) = axes.get_xlim(), axes.get_ylim()

    def place(setting: Setting) -> tuple[float, float]:
        return (
            left + (setting.core_offset_mhz - left_edge) / (right_edge - left_edge) * width,
            bottom + (setting.memory_offset_mhz - bottom_edge) / (top_edge - bottom_edge) * height,
        )

    marks = [place(cell.setting) for cell in summary.clock_map]
    taken: list[tuple[float, float, float, float]] = []
    for cell in cells:
        assert cell.gain is not None
        words = percent_change(cell.gain.value)
        half = text_width_pt(words, em) / 2.0
        x, y = place(cell.setting)
        away = (1.75 if cell.setting in of_note else 1.3) * em
        beside = half + 0.8 * away
        for center, middle in ((x, y + away), (x, y - away), (x + beside, y), (x - beside, y)):
            area = (center - half - 0.2 * em, middle - 0.65 * em, center + half + 0.2 * em, middle + 0.65 * em)
            clear = area[0] > left and area[2] < left + width and bottom < area[1] and area[3] < bottom + height
            others = [_distance(area, mark) for mark in marks if mark != (x, y)]
            is_nearest = min(others, default=math.inf) > 1.3 * _distance(area, (x, y)) + 0.3 * em
            if clear and is_nearest and not any(_meet(area, other) for other in taken):
                taken.append(area)
                sheet.text(center, middle, words, ha="center")
                break


def _distance(area: tuple[float, float, float, float], point: tuple[float, float]) -> float:
    """From a point to the nearest part of an area."""
    x, y = point
    return math.hypot(max(area[0] - x, 0.0, x - area[2]), max(area[1] - y, 0.0, y - area[3]))


def _meet(one: tuple[float, float, float, float], other: tuple[float, float, float, float]) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def _table(sheet: Sheet, summary: TuningSummary, corner: tuple[float, float]) -> None:
    """The settings of note in words."""
    em = sheet.em
    muted = sheet.theme.palette.muted
    (left, top), n_columns = corner, 2 if sheet.theme.is_narrow else 1
    width = (sheet.right - left) / n_columns - (n_columns - 1) * em
    gain = summary.best_gain
    blocks: list[tuple[str, list[str]]] = []
    if summary.best is not None:
        lines = [_offsets(summary.best)]
        if gain is not None:
            lines.append(f"gain {change_words(gain.value, gain.interval)}")
        lines.append(summary.endurance)
        blocks.append(("best so far" if not summary.best_is_final else "best setting", lines))
    if summary.everyday is not None:
        lines = [_offsets(summary.everyday)]
        cost = summary.everyday_cost
        if cost is not None:
            lines += [f"against the best, {cost.kind}:", change_words(cost.value, cost.interval)]
        blocks.append(("everyday setting", lines))
    failed = sum(cell.status == "failed" for cell in summary.clock_map)
    blocks.append(("tried", [counted(len(summary.clock_map), "setting"), f"{failed} of them failed"]))
    blocks.append(("past the edge", [_offsets(item.setting) for item in summary.past_edge[:3]] or ["none found"]))
    y = top - 0.6 * em
    for place, (heading, lines) in enumerate(blocks):
        if n_columns > 1 and place == len(blocks) // 2:
            left, y = left + width + 2.0 * em, top - 0.6 * em
        sheet.text(left, y, heading, bold=True)
        for number, line in enumerate(lines):
            sheet.text(left, y - 1.4 * (number + 1) * em, shorten(line, width, em), color=muted)
        y -= (1.4 * (len(lines) + 1) + 0.7) * em


def _offsets(setting: Setting) -> str:
    signs = f"core {setting.core_offset_mhz:+d}, memory {setting.memory_offset_mhz:+d} MHz"
    return signs.replace("-", "\N{MINUS SIGN}")
