"""A tuning record for a terminal: what was found, the map, the trials, and what is not yet known."""

from __future__ import annotations

from frametime.metrics.metric import Interval
from frametime.render.numbers import NOT_AVAILABLE, format_like, format_number
from frametime.render.text import text_table, wrapped
from frametime.render.tuning_text import next_step_text
from frametime.statistics.differences import Ratio
from frametime.tuning.summary import MapCell, SettingRow, TrialRow, TuningSummary
from frametime.words import percent_change, percent_change_words

_MAP_WIDTH = 9


def summary_text(summary: TuningSummary, *, record: str) -> str:
    """The whole record in sections; every number with its unit, every missing one as n/a."""
    sections = [
        _head(summary),
        _edge(summary),
        _map(summary),
        _settings(summary),
        _trials(summary),
        _listed("Not yet known", summary.not_known),
        _listed("Caveats", tuple(caveat.message for caveat in summary.caveats)),
        next_step_text(summary.next_step, record=record).rstrip(),
    ]
    return "\n\n".join(section for section in sections if section) + "\n"


def change_text(value: float, interval: Interval | None) -> str:
    """A ratio as a change in percent with its interval, or why it has none.

    Examples
    --------
    >>> change_text(1.05, Interval(low=1.04, high=1.06, level=0.95, method="t")), change_text(1.05, None)
    ('+5.0 % (+4.0 to +6.0 %)', '+5.0 % (no interval: fewer than 2 runs on a side)')
    """
    if interval is None:
        return f"{percent_change(value)} (no interval: fewer than 2 runs on a side)"
    return percent_change_words(value, interval)


def _head(summary: TuningSummary) -> str:
    limits = summary.limits
    power = "" if limits.power_w is None else f", {limits.power_w:g} W"
    lines = [
        f"Tuning of {summary.card}: {len(summary.trials)} trials",
        f"  limits      {limits.temperature_c:g} °C{power}, core up to {limits.max_core_offset_mhz:+d} MHz, "
        f"memory up to {limits.max_memory_offset_mhz:+d} MHz",
        f"  workloads   {', '.join(summary.workloads)} (from the lightest to the heaviest)",
    ]
    if summary.best is None:
        return "\n".join([*lines, "  best        n/a: no setting has passed the heaviest workload yet"])
    lines.append(f"  best        {summary.best}" + ("" if summary.best_is_final else " (so far)"))
    lines.append(f"    gain      {_gain_words(summary)}")
    lines.append(f"  every day   {summary.everyday}")
    cost = summary.everyday_cost
    if cost is not None:
        lines.append(f"    cost      {change_text(cost.value, cost.interval)} against the best, {cost.kind}")
        lines.append(wrapped(f"({cost.how})", indent=14))
    elif summary.everyday != summary.best:
        lines.append("    cost      n/a: neither measured, nor runs enough to predict it")
    return "\n".join(lines)


def _gain_words(summary: TuningSummary) -> str:
    if summary.best_gain is None:
        return "n/a: needs measured runs at stock and at the best setting"
    gain = summary.best_gain
    level = "" if gain.interval is None else f", {100.0 * gain.interval.level:g} % interval over runs"
    return (
        f"{change_text(gain.value, gain.interval)} average FPS over stock{level}\n"
        f"              ({gain.n_candidate} and {gain.n_baseline} runs of {summary.workloads[-1]})"
    )


def _edge(summary: TuningSummary) -> str:
    if not summary.past_edge:
        return ""
    lines = ["Past the edge (a higher clock that is credibly slower)"]
    for item in summary.past_edge:
        change = change_text(item.ratio.value, item.ratio.interval)
        lines.append(wrapped(f"{item.setting}: {change} against {item.slower_than}, under {item.workload}", indent=2))
    return "\n".join(lines)


def _map(summary: TuningSummary) -> str:
    if not summary.map:
        return ""
    cells = {(cell.setting.core_offset_mhz, cell.setting.memory_offset_mhz): cell for cell in summary.map}
    cores = sorted({core for core, _ in cells})
    memories = sorted({memory for _, memory in cells}, reverse=True)
    lines = ["Map (memory offset down, core offset across, MHz)"]
    for first in range(0, len(cores), _MAP_WIDTH):
        part = cores[first : first + _MAP_WIDTH]
        rows = [
            [f"{memory:+d}", *(_map_cell(cells.get((core, memory)), summary) for core in part)] for memory in memories
        ]
        columns = frozenset(range(len(part) + 1))
        lines.append(text_table(["", *(f"{core:+d}" for core in part)], rows, right=columns, indent=2))
    lines.append(
        wrapped(
            f"number: gain over stock in % under {summary.workloads[-1]}; ok: passed what it ran; x: failed; "
            "dot: not tried; *: best",
            indent=2,
        )
    )
    return "\n".join(lines)


def _map_cell(cell: MapCell | None, summary: TuningSummary) -> str:
    if cell is None or cell.status == "not tried":
        return "."
    mark = "*" if cell.setting == summary.best else ""
    if cell.status == "failed" and not mark:
        return "x"
    if cell.gain is None:
        return f"ok{mark}"
    return percent_change(cell.gain.value).removesuffix(" %") + mark


def _settings(summary: TuningSummary) -> str:
    if not summary.settings:
        return ""
    header = ["core", "memory", "workload", "runs", "FPS", "gain over stock, %", "% per MHz", "W", "FPS/W"]
    rows = [_setting_cells(row) for row in summary.settings]
    return "Speed of the settings\n" + text_table(header, rows, right=frozenset({0, 1, 3, 4, 6, 7, 8}), indent=2)


def _setting_cells(row: SettingRow) -> list[str]:
    per_mhz = NOT_AVAILABLE
    if row.gain_pct_per_mhz is not None and row.step_from is not None:
        clock = "core" if row.step_from.core_offset_mhz != row.setting.core_offset_mhz else "memory"
        per_mhz = f"{row.gain_pct_per_mhz:+.3f} {clock}".replace("-", "\N{MINUS SIGN}")
    return [
        f"{row.setting.core_offset_mhz:+d}",
        f"{row.setting.memory_offset_mhz:+d}",
        row.workload,
        str(row.n_runs),
        format_number(row.average_fps),
        _gain_cell(
            row.gain, is_stock=row.gain is None and row.setting.core_offset_mhz == row.setting.memory_offset_mhz == 0
        ),
        per_mhz,
        NOT_AVAILABLE if row.average_power_w is None else format_number(row.average_power_w, digits=3),
        NOT_AVAILABLE if row.frames_per_joule is None else format_number(row.frames_per_joule, digits=3),
    ]


def _gain_cell(gain: Ratio | None, *, is_stock: bool) -> str:
    if gain is None:
        return "stock" if is_stock else NOT_AVAILABLE
    if gain.interval is None:
        return percent_change(gain.value).removesuffix(" %")
    return percent_change_words(gain.value, gain.interval).replace(" %", "")


def _trials(summary: TuningSummary) -> str:
    if not summary.trials:
        return ""
    header = ["no.", "core", "memory", "workload", "outcome", "runs", "FPS", "W", "°C", "note"]
    rows = [_trial_cells(row) for row in summary.trials]
    return "Trials\n" + text_table(header, rows, right=frozenset({0, 1, 2, 5, 6, 7, 8}), indent=2)


def _trial_cells(row: TrialRow) -> list[str]:
    outcome = row.outcome.value
    if row.failure is not None and row.failure != outcome:
        outcome = "too hot"
    if row.is_endurance:
        outcome += f", {row.minutes:g} min" if row.minutes is not None else ", endurance"
    return [
        str(row.number),
        f"{row.setting.core_offset_mhz:+d}",
        f"{row.setting.memory_offset_mhz:+d}",
        row.workload,
        outcome,
        str(row.n_runs),
        NOT_AVAILABLE if row.average_fps is None else format_number(row.average_fps),
        NOT_AVAILABLE if row.average_power_w is None else format_number(row.average_power_w, digits=3),
        NOT_AVAILABLE if row.peak_temperature_c is None else format_like(row.peak_temperature_c, decimals=0),
        " ".join(row.note.split())[:40],
    ]


def _listed(title: str, sentences: tuple[str, ...]) -> str:
    return "\n".join([title, *(wrapped(sentence, indent=2) for sentence in sentences)]) if sentences else ""
