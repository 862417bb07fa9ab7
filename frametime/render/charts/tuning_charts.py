"""Charts of a tuning record: the map of the settings that were tried, and the gain by each clock."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from functools import partial
from typing import Final, Literal, NamedTuple, get_args

from matplotlib.figure import Figure

from frametime.render.charts.chart_catalog import keys_for
from frametime.render.charts.chart_sheet import Chart, KeyEntry, ListEntry
from frametime.render.charts.plots import Curve, Dots, Drawn, Plot, Plots, Rule, Whisker
from frametime.render.charts.text_fit import limits_around
from frametime.render.charts.theme import SeriesStyle, Theme
from frametime.render.review_words import change_words
from frametime.statistics.interval import Interval
from frametime.tuning.record import STOCK, Outcome, Setting
from frametime.tuning.tuning_summary import SettingRow, TuningSummary
from frametime.words import counted, joined, percent_change, signed

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
    of_note = {"best": (summary.best, "s"), "everyday": (summary.everyday, "D")}
    rings = {name: (setting, marker) for name, (setting, marker) in of_note.items() if setting is not None}
    outcomes = {row.setting: row.outcome for row in summary.trials if row.failure is not None}
    marks: list[Drawn] = []
    for cell in sorted(summary.clock_map, key=lambda cell: cell.gain.value if cell.gain else 0.0):
        setting, failed = cell.setting, cell.status == "failed"
        held = "v" if setting in edge else "o"
        marker = _FAILURES.get(outcomes.get(setting, Outcome.PASSED), "X") if failed else held
        is_named = not failed and all(setting != ringed for ringed, _ in rings.values())
        place, face = (setting.core_offset_mhz, setting.memory_offset_mhz), palette.behind if failed else palette.ahead
        words, gid = gains.get(setting, "") if is_named else "", f"{cell.status}-{place[0]}-{place[1]}"
        marks.append(Dots(*place, marker, face, palette.ink, gid, 0.75, 0.5, words=words))
    for name, (setting, marker) in reversed(rings.items()):
        words = f"{name} {gains.get(setting, '')}".strip()
        place = setting.core_offset_mhz, setting.memory_offset_mhz
        marks.append(Dots(*place, marker, "none", palette.ink, name, 1.5, 1.1, words=words))
    ends = [(end, marker) for end, marker in _FAILURES.items() if end in outcomes.values()]
    words_of = {end: f"failed: {end.replace('-', ' ')}" for end, _ in ends} | {Outcome.PASSED: "failed by its log"}
    key = [KeyEntry(words_of[end], palette.behind, marker=marker, edge=palette.ink) for end, marker in ends]
    settings = [STOCK, *(setting for setting, _ in rings.values()), *(cell.setting for cell in summary.clock_map)]
    places = zip(*((setting.core_offset_mhz, setting.memory_offset_mhz) for setting in settings), strict=True)
    core, memory = (limits_around(mhz, [min(mhz) + 100.0], least=100.0, times=1.0, pad=0.09) for mhz in places)
    x_label, y_label = "core offset, MHz", "memory offset, MHz"
    plot = Plot(marks=marks, x_limits=core, y_limits=memory, x_label=x_label, y_label=y_label, grid="both")
    values = {"card": summary.card, "heaviest": heaviest, "n_runs": n_runs, "if_edge": bool(edge)}
    body = Plots(columns=[[plot]], entries=_settings_of_note(summary))
    return Chart(kind="tuning-map", values=values, key=key, body=body).draw(theme)


_FAILURES: Final[Mapping[Outcome, str]] = {
    Outcome.ARTIFACTS: "P",
    Outcome.FROZE: "X",
    Outcome.DRIVER_RESET: "d",
    Outcome.DID_NOT_FINISH: "h",
    Outcome.DOES_NOT_HOLD: "p",
    Outcome.PASSED: "*",
}
"""Marks of a trial that failed, by how it ended; the last is one that passed by eye and failed by its log."""


def _settings_of_note(summary: TuningSummary) -> list[ListEntry]:
    """The settings of note in words."""
    entries = []
    if summary.best is not None:
        gain = summary.best_gain
        gained = [] if gain is None else [f"gain {change_words(gain.value, gain.interval)}"]
        name = "best setting" if summary.best_is_final else "best so far"
        entries.append(ListEntry(name, [str(summary.best), *gained, summary.endurance]))
    if summary.everyday is not None:
        cost = summary.everyday_cost
        words = [] if cost is None else [f"against the best, {cost.kind}:", change_words(cost.value, cost.interval)]
        entries.append(ListEntry("everyday setting", [str(summary.everyday), *words]))
    failed = sum(cell.status == "failed" for cell in summary.clock_map)
    entries.append(ListEntry("tried", [counted(len(summary.clock_map), "setting"), f"{failed} of them failed"]))
    past = [str(item.setting) for item in summary.past_edge[:3]]
    return [*entries, ListEntry("past the edge", past or ["none found"])]


def powered(summary: TuningSummary) -> list[SettingRow]:
    """Settings under the heaviest workload of which power and speed are known, and no trial has failed."""
    failed = {cell.setting for cell in summary.map if cell.status == "failed"}
    rows = [row for row in summary.settings if row.workload == summary.workloads[-1] and row.setting not in failed]
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
    marks, entries = list[Drawn](), list[ListEntry]()
    for row in rows:
        marker, face = ("s", palette.ink) if row.setting == STOCK else ("o", palette.ground)
        face = palette.ahead if row.is_frontier and row.setting != STOCK else face
        words = of_note.get(row.setting, str(row.setting) if row.is_frontier else "")
        # One of no note that is beaten lies on top, and is smaller: the others stay in sight.
        size, zorder = (1.1, 4.0) if row.setting in of_note else (0.9, 4.0) if row.is_frontier else (0.7, 5.0)
        place = row.average_power_w or 0.0, row.average_fps
        marks.insert(0, Dots(*place, marker, face, palette.ink, f"power-{row.setting}", size, 0.6, zorder, words))
        if row.setting in of_note and row.setting != STOCK:
            changes = [("speed", row.gain), ("power", row.power)]
            lines = [f"{name} {change_words(item.value, item.interval)}" for name, item in changes if item is not None]
            entries.append(ListEntry(of_note[row.setting], [str(row.setting), *lines]))
    line = sorted((row.average_power_w or 0.0, row.average_fps) for row in rows if row.is_frontier)
    marks.insert(0, Curve([x for x, _ in line], [y for _, y in line], palette.tied, "frontier"))
    x_limits, y_limits = (
        limits_around(values, [0.98 * min(values), 1.02 * max(values)], least=1.0, times=1.0, pad=0.1)
        for values in zip(*((row.average_power_w or 0.0, row.average_fps) for row in rows), strict=True)
    )
    x_label, y_label = f"average power, W (axis from {x_limits[0]:.0f})", f"average FPS (axis from {y_limits[0]:.0f})"
    plot = Plot(marks=marks, x_limits=x_limits, y_limits=y_limits, x_label=x_label, y_label=y_label, grid="both")
    entries.append(ListEntry("tried", [counted(len(rows), "setting with power", "settings with power")]))
    n_runs = [row.n_runs for row in rows]
    values = {"card": summary.card, "least": min(n_runs), "most": max(n_runs), "heaviest": summary.workloads[-1]}
    return Chart(kind="tuning-power", values=values, body=Plots(columns=[[plot]], entries=entries)).draw(theme)


class GainLine(NamedTuple):
    """Settings that differ in one clock only, under one workload, by that clock."""

    clock: Clock
    workload: str
    other_offset_mhz: int
    rows: Sequence[SettingRow]

    @property
    def name(self) -> str:
        """Workload and the clock that stays."""
        other = "memory" if self.clock == "core" else "core"
        offset = signed(self.other_offset_mhz, "+d") if self.other_offset_mhz else "stock"
        return f"{self.workload}, {other} {offset}"


def gain_lines(summary: TuningSummary, clock: Clock) -> list[GainLine]:
    """Lines with two settings or more, those with most settings first, in the order of the workloads then."""
    groups: dict[tuple[str, int], list[SettingRow]] = {}
    for row in summary.settings:
        if row.gain is not None or row.setting == STOCK:
            groups.setdefault((row.workload, _offsets(row.setting, clock)[1]), []).append(row)
    lines = [
        GainLine(clock, workload, other, sorted(rows, key=lambda row: _offsets(row.setting, clock)))
        for (workload, other), rows in groups.items()
        if len(rows) > 1
    ]
    kept = sorted(lines, key=lambda line: -len(line.rows))[:_MOST_LINES]
    return sorted(kept, key=lambda line: (summary.workloads.index(line.workload), line.other_offset_mhz))


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
    n_runs, edge = [row.n_runs for row in summary.settings], [item.setting for item in summary.past_edge]
    named = joined([str(setting) for setting in edge]) or None
    values = {"card": summary.card, "least": min(n_runs), "most": max(n_runs), "edge": named, "if_edge": bool(edge)}
    gains = [row.gain for line in lines for row in line.rows if row.gain is not None]
    ends = [end for gain in gains if gain.interval is not None for end in _ends_pct(gain.interval)]
    changes = [0.0, *(100.0 * (gain.value - 1.0) for gain in gains)]
    limits_pct = limits_around(changes, [*ends, -0.1, 0.1], least=1.0, times=_CUT_TIMES, pad=0.08)
    styled = [(number, line, theme.style(number)) for number, line in enumerate(lines)]
    key = [KeyEntry(line.name, style.color, "line", style.marker, style.line) for _, line, style in styled]
    columns = [
        [_gain_plot(clock, [item for item in styled if item[1].clock == clock], theme, limits_pct, edge)]
        for clock in get_args(Clock)
    ]
    return Chart(kind="tuning-gain", values=values, key=key, body=Plots(columns=columns)).draw(theme)


def _ends_pct(interval: Interval) -> tuple[float, float]:
    return 100.0 * (interval.low - 1.0), 100.0 * (interval.high - 1.0)


def _gain_plot(
    clock: Clock,
    styled: Sequence[tuple[int, GainLine, SeriesStyle]],
    theme: Theme,
    limits_pct: tuple[float, float],
    edge: Sequence[Setting],
) -> Plot:
    """The lines of one clock, numbered as in the key."""
    marks: list[Drawn] = [Rule(0.0, theme.palette.muted, "stock", is_level=True)]
    places: list[int] = []
    for number, line, style in styled:
        xs = [_offsets(row.setting, clock)[0] for row in line.rows]
        ys = [0.0 if row.gain is None else 100.0 * (row.gain.value - 1.0) for row in line.rows]
        look = {"marker": style.marker, "markersize": 0.65 * theme.em_pt}
        marks.append(Curve(xs, ys, style.color, f"gain-{number}", width=1.2, line=style.line, style=look))
        for x, y, row in zip(xs, ys, line.rows, strict=True):
            if row.gain is not None and row.gain.interval is not None:
                ends, gid = _ends_pct(row.gain.interval), f"interval-{number}-{x}"
                marks.append(Whisker(ends, x, style.color, gid, upright=True, width=0.8))
            if row.setting in edge:
                marks.append(Dots(x, y, "v", "none", theme.palette.ink, f"edge-{number}-{x}", 1.1, 1.0))
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


def tuning_figures(
    summary: TuningSummary, theme: Theme, *, only: Collection[str] | None = None
) -> list[tuple[str, Callable[[], Figure]]]:
    """Name and drawing of each chart of a tuning record; a chart without anything to show is left out.

    Parameters
    ----------
    summary : TuningSummary
    theme : Theme
    only : collection of str or None
        Keys of the catalog.
    """
    wanted = set(keys_for("tuning") if only is None else only)
    has_gain = bool(gain_lines(summary, "core") or gain_lines(summary, "memory"))
    asked = (
        ("tuning-map", bool(summary.clock_map), draw_tuning_map),
        ("tuning-gain", bool(summary.clock_map) and has_gain, draw_tuning_gain),
        ("tuning-power", len(powered(summary)) > 1, draw_tuning_power),
    )
    return [(key, partial(draw, summary, theme)) for key, is_known, draw in asked if is_known and key in wanted]
