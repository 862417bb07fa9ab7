"""Gain over stock against each clock, workload by workload."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from frametime.render.charts.axis_scales import round_ticks, set_x_ticks, size_of, tick_labels
from frametime.render.charts.chart_sheet import KeyEntry, Sheet, dots, whisker, x_caption, y_caption
from frametime.render.charts.theme import Theme
from frametime.render.charts.tuning_map import WARNING
from frametime.statistics.differences import Interval
from frametime.tuning.judging.tuning_summary import SettingRow, TuningSummary
from frametime.tuning.record import STOCK, Setting
from frametime.words import joined

Clock = Literal["core", "memory"]

_MOST_LINES: Final = 6
_CUT_TIMES: Final = 2.5


@dataclass(frozen=True, kw_only=True)
class GainLine:
    """Settings that differ in one clock only, under one workload, by that clock."""

    clock: Clock
    workload: str
    other_offset_mhz: int
    rows: tuple[SettingRow, ...]


def gain_lines(summary: TuningSummary, clock: Clock) -> list[GainLine]:
    """Lines with two settings or more, those with most settings first, in the order of the workloads then."""
    groups: dict[tuple[str, int], list[SettingRow]] = {}
    for row in summary.settings:
        if row.gain is not None or row.setting == STOCK:
            _, other = _offsets(row.setting, clock)
            groups.setdefault((row.workload, other), []).append(row)
    lines = [
        GainLine(
            clock=clock,
            workload=workload,
            other_offset_mhz=other,
            rows=tuple(sorted(rows, key=lambda row: _offsets(row.setting, clock)[0])),
        )
        for (workload, other), rows in groups.items()
        if len(rows) > 1
    ]
    kept = sorted(lines, key=lambda line: -len(line.rows))[:_MOST_LINES]
    order = list(summary.workloads)
    return sorted(kept, key=lambda line: (order.index(line.workload), line.other_offset_mhz))


def _offsets(setting: Setting, clock: Clock) -> tuple[int, int]:
    """Offset of this clock and of the other."""
    both = setting.core_offset_mhz, setting.memory_offset_mhz
    return both if clock == "core" else (both[1], both[0])


def draw_tuning_gain(summary: TuningSummary, theme: Theme) -> Figure:
    """What each step of a clock brought.

    Parameters
    ----------
    summary : TuningSummary
    theme : Theme

    Returns
    -------
    Figure
        Two pairs of axes: gain in percent against the core offset and against the memory offset.

    Raises
    ------
    ValueError
        If no two measured settings differ in one clock only.
    """
    lines = {clock: gain_lines(summary, clock) for clock in ("core", "memory")}
    if not any(lines.values()):
        raise ValueError("summary must hold two measured settings that differ in one clock, with runs at stock")
    n_runs = [row.n_runs for row in summary.settings]
    edge = [str(item.setting).replace("-", "\N{MINUS SIGN}") for item in summary.past_edge]
    with theme.settings():
        sheet = Sheet(
            theme,
            title=f"Gain by clock: {summary.card}",
            lead="Higher is better: average FPS (frames over time) over that at stock under the same workload.",
            notes=[
                f"0 % is stock. Each mark: the mean of {min(n_runs)} to {max(n_runs)} runs of a setting that passed; "
                "whisker: 95 % interval.",
                f"Past the edge, credibly slower than a lower clock: {joined(edge)}." if edge else "",
                WARNING,
            ],
            full=[
                "A line joins settings that differ in this clock only. Whisker: of the ratio to stock, from the "
                "scatter of the runs; none where one side has a single run."
            ],
        )
        names = _names(lines["core"] + lines["memory"])
        sheet.key(_key(names, theme))
        limits = _limits_pct(lines["core"] + lines["memory"])
        gap = 5.4 * sheet.em
        width = (sheet.width - 4.2 * sheet.em - gap) / 2.0
        foot = sheet.bottom + 3.5 * sheet.em
        left = sheet.left + 4.2 * sheet.em
        for clock, found in lines.items():
            axes = sheet.axes(left, foot, width, sheet.top - 2.0 * sheet.em - foot)
            axes.set_ylim(*limits)
            _panel(axes, found, names, theme, past_edge={item.setting for item in summary.past_edge})
            y_caption(axes, "gain over stock", theme)
            x_caption(axes, f"{clock} offset, MHz", theme)
            left += width + gap
        return sheet.figure


def _names(lines: Sequence[GainLine]) -> dict[tuple[str, str, int], str]:
    """A name for each line, in the order in which they are drawn."""
    names: dict[tuple[str, str, int], str] = {}
    for line in lines:
        other = "memory" if line.clock == "core" else "core"
        offset = f"{line.other_offset_mhz:+d}".replace("-", "\N{MINUS SIGN}") if line.other_offset_mhz else "stock"
        names[line.clock, line.workload, line.other_offset_mhz] = f"{line.workload}, {other} {offset}"
    return names


def _key(names: dict[tuple[str, str, int], str], theme: Theme) -> list[KeyEntry]:
    styles = [(name, theme.style(number)) for number, name in enumerate(names.values())]
    return [KeyEntry(name, style.color, "line", style.marker, style.line) for name, style in styles]


def _limits_pct(lines: Sequence[GainLine]) -> tuple[float, float]:
    """Limits in percent: every mark, and intervals unless they are far wider than the marks lie apart."""
    gains = [row.gain for line in lines for row in line.rows if row.gain is not None]
    marks = [0.0, *(100.0 * (gain.value - 1.0) for gain in gains)]
    low, high = min(marks), max(marks)
    room = max(high - low, 1.0)
    intervals = [gain.interval for gain in gains if gain.interval is not None]
    ends = [end for interval in intervals for end in _ends_pct(interval)]
    low = max(min([low, *ends]), low - _CUT_TIMES * room)
    high = min(max([high, *ends]), high + _CUT_TIMES * room)
    return low - 0.08 * (high - low) - 0.1, high + 0.08 * (high - low) + 0.1


def _ends_pct(interval: Interval) -> tuple[float, float]:
    return 100.0 * (interval.low - 1.0), 100.0 * (interval.high - 1.0)


def _panel(
    axes: Axes,
    lines: Sequence[GainLine],
    names: dict[tuple[str, str, int], str],
    theme: Theme,
    *,
    past_edge: set[Setting],
) -> None:
    em = theme.em_pt
    offsets = [_offsets(row.setting, line.clock)[0] for line in lines for row in line.rows] or [0, 100]
    room = 0.06 * max(max(offsets) - min(offsets), 50)
    axes.set_xlim(min(offsets) - room, max(offsets) + room)
    axes.axhline(0.0, color=theme.palette.muted, linewidth=1.6 * theme.hair_pt)
    order = list(names)
    for line in lines:
        number = order.index((line.clock, line.workload, line.other_offset_mhz))
        style = theme.style(number)
        x = [_offsets(row.setting, line.clock)[0] for row in line.rows]
        y = [0.0 if row.gain is None else 100.0 * (row.gain.value - 1.0) for row in line.rows]
        axes.plot(
            x,
            y,
            color=style.color,
            linestyle=style.line,
            linewidth=1.2 * theme.line_pt,
            marker=style.marker,
            markersize=0.65 * em,
            gid=f"gain-{number}",
        )
        for position, row in zip(x, line.rows, strict=True):
            interval = None if row.gain is None else row.gain.interval
            if interval is not None:
                ends, gid = _ends_pct(interval), f"interval-{number}-{position}"
                whisker(axes, ends, position, theme, color=style.color, gid=gid, upright=True, scale=0.8)
        for position, gain, row in zip(x, y, line.rows, strict=True):
            if row.setting in past_edge:
                look = {"mfc": "none", "mec": theme.palette.ink, "gid": f"edge-{number}-{position}"}
                dots(axes, position, gain, "v", theme, size=1.1, line=1.0, **look)
    set_x_ticks(axes, em, spacing_em=6.0)
    low, high = axes.get_ylim()
    ticks = round_ticks(low, high, max(2, int(size_of(axes)[1] / (2.6 * em))))
    axes.set_yticks(
        ticks, [f"{'+' if tick > 0 else ''}{label} %" for tick, label in zip(ticks, tick_labels(ticks), strict=True)]
    )
    axes.grid(axis="y")
