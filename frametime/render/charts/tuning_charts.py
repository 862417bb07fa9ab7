"""Charts of a tuning record: the map of the settings that were tried, and the gain by each clock."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal, get_args

from matplotlib.figure import Figure

from frametime.render.charts.chart_sheet import Chart, KeyEntry, ListEntry, draw
from frametime.render.charts.plane import Plane, PlaneLine, PlanePoint, least_em
from frametime.render.charts.plots import Curve, Dots, Drawn, Plot, Plots, Rule, Whisker
from frametime.render.charts.theme import Theme
from frametime.render.review_words import change_words
from frametime.statistics.differences import Interval
from frametime.tuning.record import STOCK, Outcome, Setting
from frametime.tuning.tuning_summary import MapCell, SettingRow, TuningSummary
from frametime.words import counted, joined, percent_change

Clock = Literal["core", "memory"]

_MOST_LINES: Final = 6
_CUT_TIMES: Final = 2.5


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
    heaviest, palette = summary.workloads[-1], theme.palette
    n_runs = max((row.n_runs for row in summary.settings if row.workload == heaviest), default=0)
    edge = {item.setting for item in summary.past_edge}
    gains = {cell.setting: percent_change(cell.gain.value) for cell in summary.clock_map if cell.gain is not None}
    rings = [("best", "s", summary.best), ("everyday", "D", summary.everyday)]
    points = [
        PlanePoint(
            x=setting.core_offset_mhz,
            y=setting.memory_offset_mhz,
            marker=marker,
            face="none",
            edge=palette.ink,
            gid=gid,
            size=1.5,
            line=1.1,
            words=f"{gid} {gains.get(setting, '')}".strip(),
        )
        for gid, marker, setting in rings
        if setting is not None
    ]
    of_note = [setting for _, _, setting in rings if setting is not None]
    outcomes = {row.setting: row.outcome for row in summary.trials if row.failure is not None}
    cells = sorted(summary.clock_map, key=lambda cell: -(cell.gain.value if cell.gain else 0.0))
    points += [_map_point(cell, theme, edge, of_note, outcomes.get(cell.setting)) for cell in cells]
    settings = [STOCK, *of_note, *(cell.setting for cell in summary.clock_map)]
    key = [
        KeyEntry("passed", palette.ahead, "marker", "o"),
        KeyEntry("past the edge", palette.ahead, "marker", "v"),
        *(
            KeyEntry(_end_words(end), palette.behind, "marker", marker, edge=palette.ink)
            for end, marker in _FAILURES.items()
            if end in outcomes.values()
        ),
        KeyEntry("best so far", palette.ink, "marker", "s", filled=False),
        KeyEntry("everyday", palette.ink, "marker", "D", filled=False),
    ]
    entries = _settings_of_note(summary)
    values = {"card": summary.card, "heaviest": heaviest, "n_runs": n_runs}
    body = Plane(
        points=points,
        x_limits=_limits([setting.core_offset_mhz for setting in settings]),
        y_limits=_limits([setting.memory_offset_mhz for setting in settings]),
        x_label="core offset, MHz",
        y_label="memory offset, MHz",
        entries=entries,
    )
    kept = [item for item in key if edge or item.label != "past the edge"]
    return draw(Chart(kind="tuning-map", values=values, key=kept, body=body, least_em=least_em(entries)), theme)


def _limits(offsets_mhz: Sequence[int]) -> tuple[float, float]:
    """Room around every offset, and 100 MHz at least."""
    low, high = float(min(offsets_mhz)), float(max(offsets_mhz))
    room = 0.09 * max(high - low, 100.0)
    return low - room, max(high, low + 100.0) + room


_FAILURES: Final[Mapping[Outcome, str]] = {
    Outcome.ARTIFACTS: "P",
    Outcome.FROZE: "X",
    Outcome.DRIVER_RESET: "d",
    Outcome.DID_NOT_FINISH: "h",
    Outcome.DOES_NOT_HOLD: "p",
    Outcome.PASSED: "*",
}
"""Marks of a trial that failed, by how it ended; the last is one that passed by eye and failed by its log."""


def _end_words(end: Outcome) -> str:
    return "failed by its log" if end is Outcome.PASSED else f"failed: {end.replace('-', ' ')}"


def _map_point(
    cell: MapCell, theme: Theme, edge: Collection[Setting], of_note: Collection[Setting], outcome: Outcome | None
) -> PlanePoint:
    (x, y), failed = (cell.setting.core_offset_mhz, cell.setting.memory_offset_mhz), cell.status == "failed"
    is_named = cell.gain is not None and not failed and cell.setting not in of_note
    return PlanePoint(
        x=x,
        y=y,
        marker=_FAILURES.get(outcome or Outcome.PASSED, "X") if failed else "v" if cell.setting in edge else "o",
        face=theme.palette.behind if failed else theme.palette.ahead,
        edge=theme.palette.ink,
        gid=f"{cell.status}-{x}-{y}",
        size=0.75,
        line=0.5,
        words=percent_change(cell.gain.value) if cell.gain is not None and is_named else "",
    )


def _settings_of_note(summary: TuningSummary) -> list[ListEntry]:
    """The settings of note in words."""
    entries = []
    if summary.best is not None:
        gain = summary.best_gain
        gained = [] if gain is None else [f"gain {change_words(gain.value, gain.interval)}"]
        name = "best setting" if summary.best_is_final else "best so far"
        entries.append(ListEntry(name, [_offset_words(summary.best), *gained, summary.endurance]))
    if summary.everyday is not None:
        cost = summary.everyday_cost
        words = [] if cost is None else [f"against the best, {cost.kind}:", change_words(cost.value, cost.interval)]
        entries.append(ListEntry("everyday setting", [_offset_words(summary.everyday), *words]))
    failed = sum(cell.status == "failed" for cell in summary.clock_map)
    entries.append(ListEntry("tried", [counted(len(summary.clock_map), "setting"), f"{failed} of them failed"]))
    past = [_offset_words(item.setting) for item in summary.past_edge[:3]]
    return [*entries, ListEntry("past the edge", past or ["none found"])]


def _offset_words(setting: Setting) -> str:
    signs = f"core {setting.core_offset_mhz:+d}, memory {setting.memory_offset_mhz:+d} MHz"
    return signs.replace("-", "\N{MINUS SIGN}")


def powered(summary: TuningSummary) -> list[SettingRow]:
    """Settings under the heaviest workload of which power and speed are known."""
    rows = [row for row in summary.settings if row.workload == summary.workloads[-1]]
    return [row for row in rows if row.average_power_w is not None]


def draw_tuning_power(summary: TuningSummary, theme: Theme) -> Figure:
    """Speed against power of every setting, and which of them no other one beats.

    Parameters
    ----------
    summary : TuningSummary
    theme : Theme

    Raises
    ------
    ValueError
        If of fewer than two settings both are known.
    """
    rows, palette = powered(summary), theme.palette
    if len(rows) < 2:
        raise ValueError("summary must hold two settings with power under the heaviest workload")
    of_note = {STOCK: "stock", summary.everyday: "everyday setting", summary.best: "best setting"}
    rows.sort(key=lambda row: (row.setting not in of_note, not row.is_frontier, row.average_power_w or 0.0))
    points, entries = [], []
    for row in rows:
        place: dict[str, Any] = {"x": row.average_power_w or 0.0, "y": row.average_fps}
        marker, face = ("s", palette.ink) if row.setting == STOCK else ("o", palette.ground)
        face = palette.ahead if row.is_frontier and row.setting != STOCK else face
        words = of_note.get(row.setting, _short_words(row.setting) if row.is_frontier else "")
        gid, size = f"power-{row.setting}", 1.1 if row.setting in of_note else 0.9
        points.append(PlanePoint(**place, marker=marker, face=face, edge=palette.ink, gid=gid, size=size, words=words))
        if row.setting in of_note and row.setting != STOCK:
            changes = [("speed", row.gain), ("power", row.power)]
            lines = [f"{name} {change_words(item.value, item.interval)}" for name, item in changes if item is not None]
            entries.append(ListEntry(of_note[row.setting], [_short_words(row.setting), *lines]))
    line = sorted((row.average_power_w or 0.0, row.average_fps) for row in rows if row.is_frontier)
    x_limits, y_limits = (_around([getattr(point, name) for point in points]) for name in ("x", "y"))
    n_runs = [row.n_runs for row in rows]
    values = {"card": summary.card, "least": min(n_runs), "most": max(n_runs), "heaviest": summary.workloads[-1]}
    body = Plane(
        points=points,
        x_limits=x_limits,
        y_limits=y_limits,
        x_label=f"average power, W (axis from {x_limits[0]:.0f})",
        y_label=f"average FPS (axis from {y_limits[0]:.0f})",
        entries=[*entries, ListEntry("tried", [counted(len(rows), "setting with power", "settings with power")])],
        lines=[PlaneLine([x for x, _ in line], [y for _, y in line], palette.tied, "frontier")],
    )
    key = [
        KeyEntry("stock", palette.ink, "marker", "s"),
        KeyEntry("no setting beats it", palette.ahead, "marker", "o", edge=palette.ink),
        KeyEntry("another setting beats it", palette.ink, "marker", "o", filled=False),
    ]
    chart = Chart(kind="tuning-power", values=values, key=key, body=body, least_em=least_em(body.entries))
    return draw(chart, theme)


def _around(values: Sequence[float]) -> tuple[float, float]:
    """Whole limits with room around some values."""
    low, high = min(values), max(values)
    room = max(0.12 * (high - low), 0.02 * high)
    return float(math.floor(low - room)), float(math.ceil(high + room))


def _short_words(setting: Setting) -> str:
    """The knobs that are turned, in few words."""
    offsets = [(setting.core_offset_mhz, "core {:+d} MHz"), (setting.memory_offset_mhz, "memory {:+d} MHz")]
    offsets += [(setting.core_voltage_offset_mv, "{:+d} mV")]
    words = [template.format(offset).replace("-", "\N{MINUS SIGN}") for offset, template in offsets if offset]
    words += [f"{setting.power_limit_pct:g} % power"] if setting.power_limit_pct != STOCK.power_limit_pct else []
    return ", ".join(words) or "stock"


@dataclass(frozen=True, kw_only=True)
class GainLine:
    """Settings that differ in one clock only, under one workload, by that clock."""

    clock: Clock
    workload: str
    other_offset_mhz: int
    rows: tuple[SettingRow, ...]

    @property
    def name(self) -> str:
        """Workload and the clock that stays."""
        other = "memory" if self.clock == "core" else "core"
        offset = f"{self.other_offset_mhz:+d}".replace("-", "\N{MINUS SIGN}") if self.other_offset_mhz else "stock"
        return f"{self.workload}, {other} {offset}"


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
    lines = [*gain_lines(summary, "core"), *gain_lines(summary, "memory")]
    if not lines:
        raise ValueError("summary must hold two measured settings that differ in one clock, with runs at stock")
    n_runs = [row.n_runs for row in summary.settings]
    edge = [item.setting for item in summary.past_edge]
    named = joined([str(setting).replace("-", "\N{MINUS SIGN}") for setting in edge])
    limits_pct = _limits_pct(lines)
    values = {
        "card": summary.card,
        "least": min(n_runs),
        "most": max(n_runs),
        "edge": named or None,
    }
    styled = [(line, theme.style(number)) for number, line in enumerate(lines)]
    key = [KeyEntry(line.name, style.color, "line", style.marker, style.line) for line, style in styled]
    columns = []
    for clock in get_args(Clock):
        numbered = [(number, line) for number, line in enumerate(lines) if line.clock == clock]
        columns.append([_gain_plot(clock, numbered, theme, limits_pct, edge)])
    return draw(Chart(kind="tuning-gain", values=values, key=key, body=Plots(columns=columns)), theme)


def _limits_pct(lines: Sequence[GainLine]) -> tuple[float, float]:
    """Limits in percent: every mark, and intervals unless they are far wider than the marks lie apart."""
    gains = [row.gain for line in lines for row in line.rows if row.gain is not None]
    marks = [0.0, *(100.0 * (gain.value - 1.0) for gain in gains)]
    low, high = min(marks), max(marks)
    room = max(high - low, 1.0)
    ends = [end for gain in gains if gain.interval is not None for end in _ends_pct(gain.interval)]
    low = max(min([low, *ends]), low - _CUT_TIMES * room)
    high = min(max([high, *ends]), high + _CUT_TIMES * room)
    return low - 0.08 * (high - low) - 0.1, high + 0.08 * (high - low) + 0.1


def _ends_pct(interval: Interval) -> tuple[float, float]:
    return 100.0 * (interval.low - 1.0), 100.0 * (interval.high - 1.0)


def _gain_plot(
    clock: Clock,
    lines: Sequence[tuple[int, GainLine]],
    theme: Theme,
    limits_pct: tuple[float, float],
    edge: Sequence[Setting],
) -> Plot:
    """The lines of one clock, numbered as in the key."""
    marks: list[Drawn] = [Rule(0.0, theme.palette.muted, "stock", is_level=True)]
    places: list[int] = []
    for number, line in lines:
        style = theme.style(number)
        xs = [_offsets(row.setting, clock)[0] for row in line.rows]
        ys = [0.0 if row.gain is None else 100.0 * (row.gain.value - 1.0) for row in line.rows]
        look = {"marker": style.marker, "markersize": 0.65 * theme.em_pt}
        marks.append(Curve(xs, ys, style.color, f"gain-{number}", width=1.2, line=style.line, style=look))
        for x, y, row in zip(xs, ys, line.rows, strict=True):
            if row.gain is not None and row.gain.interval is not None:
                marks.append(Whisker(x, _ends_pct(row.gain.interval), style.color, f"interval-{number}-{x}"))
            if row.setting in edge:
                marks.append(Dots([x], [y], "v", "none", theme.palette.ink, f"edge-{number}-{x}", 1.1, 1.0))
        places += xs
    low, high = min(places, default=0), max(places, default=100)
    room = 0.06 * max(high - low, 50)
    return Plot(
        marks=marks,
        x_limits=(low - room, high + room),
        y_limits=limits_pct,
        x_label=f"{clock} offset, MHz",
        y_label="gain over stock",
        y_ticks="change",
    )
