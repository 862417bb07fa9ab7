"""The tables of tuning: map, settings past the edge, speed of each setting, trials; criteria of an endurance run."""

from __future__ import annotations

from typing import Final

from frametime.render.tables.parts import DASH, caption_of, cell, change, columns_of, filled, mark, number, table_of
from frametime.render.tables.table import Cell, Column, Mark, Number, Table, Tone
from frametime.tuning.endurance_verdict import Criterion, EnduranceVerdict
from frametime.tuning.record import KNOBS, STOCK, Setting
from frametime.tuning.tuning_summary import MapCell, PastEdge, SettingRow, TrialRow, TuningSummary
from frametime.words import signed

TOO_FEW: Final = "fewer than two runs on a side, or runs equal to the last digit, give no interval"

STATES: Final[dict[str, Tone]] = {
    **dict.fromkeys(("holds", "passed"), "good"),
    **dict.fromkeys(("does not hold", "failed"), "bad"),
    **dict.fromkeys(("not shown", "not measurable"), "care"),
}
"""Tone of the state of a criterion, and of the verdict."""


def map_table(summary: TuningSummary) -> Table:
    """Gains and failures over core and memory offset."""
    found = {(item.setting.core_offset_mhz, item.setting.memory_offset_mhz): item for item in summary.clock_map}
    cores = sorted({core for core, _ in found})
    columns = (*columns_of("map-table"), *(Column(str(core), f"Core {signed(core, '+d')}", "number") for core in cores))
    rows = []
    for memory in sorted({memory for _, memory in found}, reverse=True):
        values: dict[str, object] = {"memory": cell(signed(memory, "+d"), sort=float(memory))}
        for core in cores:
            if (item := found.get((core, memory))) is not None:
                values[str(core)] = _map_cell(item, summary.map.index(item), is_best=item.setting == summary.best)
        rows.append(filled(columns, values))
    return Table("map-table", caption_of("map-table", heaviest=summary.workloads[-1]), columns, tuple(rows))


def _map_cell(item: MapCell, number: int, *, is_best: bool) -> Cell:
    if item.status == "failed" and not is_best:
        return cell(mark(f"failed under {item.failed_under}" if item.failed_under else "failed", "bad"))
    ending: tuple[str | Mark, ...] = (" ", Mark(word="best", symbol="*", tone="good")) if is_best else ()
    if item.gain is None:
        return cell(mark("passed", "good"), *ending)
    return cell(change(item.gain.value, f"/map/{number}/gain/value"), *ending)


def edge_table(summary: TuningSummary) -> Table:
    """Higher clocks that are slower."""
    return table_of("edge-table", summary, _edge_values)


def _edge_values(item: PastEdge) -> dict[str, object]:
    ratio = {"ratio": item.ratio.value, "interval": item.ratio.interval}
    return {"setting": str(item.setting), "slower_than": str(item.slower_than), **ratio}


def _columns(table: str, summary: TuningSummary) -> tuple[Column, ...]:
    """Of the knobs those that were turned in any trial; the clocks too where speed is sought."""
    clocks = [KNOBS["core"].field, KNOBS["memory"].field]
    turned = [knob.field for axis, knob in KNOBS.items() if any(cell.setting.turned(axis) for cell in summary.map)]
    is_speed = summary.goal == "speed"
    left_out = {knob.field for knob in KNOBS.values()} - {*turned, *(clocks if is_speed or not turned else ())}
    # Where power is to be saved, that is told in place of the gain for each MHz.
    left_out |= {"power", "is_frontier"} if is_speed else {"gain_pct_per_mhz"}
    return tuple(column for column in columns_of(table) if column.key not in left_out)


def _knobs(setting: Setting) -> dict[str, object]:
    told: dict[str, object] = {}
    for axis, knob in KNOBS.items():
        value = getattr(setting, knob.field)
        text = f"{value:g}" if axis == "power" else signed(value, "+d")
        told[knob.field] = Number(text=text, value=value, origin=f"setting/{knob.field}")
    return told


def setting_table(summary: TuningSummary) -> Table:
    """Speed, gain and power at each setting."""
    return table_of("settings", summary, _setting_values, columns=_columns("settings", summary), is_long=True)


def _setting_values(row: SettingRow) -> dict[str, object]:
    values = _knobs(row.setting)
    values["is_frontier"] = mark("on it", "good") if row.is_frontier else DASH
    values["power"] = "stock" if row.setting == STOCK else None if row.power is None else row.power.value
    if row.power is None and row.average_power_w is not None and row.setting != STOCK:
        values["power"] = cell(change(None, "power", reason="no power at stock"))
    if row.gain is not None:
        values |= {"gain": row.gain.value, "interval": row.gain.interval}
        if row.gain.interval is None:
            values["interval"] = cell(change(None, "gain/interval", reason=TOO_FEW))
    elif row.setting == STOCK:
        values |= {"gain": "stock", "interval": "stock"}
    else:
        values |= {key: cell(change(None, "gain", reason="no runs at stock")) for key in ("gain", "interval")}
    slope = number(row.gain_pct_per_mhz, "gain_pct_per_mhz", digits=2, reason="no lower setting")
    values["gain_pct_per_mhz"] = cell(slope)
    if row.gain_pct_per_mhz is not None and row.step_from is not None:
        clock = "core" if row.step_from.turned("core") != row.setting.turned("core") else "memory"
        values["gain_pct_per_mhz"] = cell(slope, f" ({clock})")
    return values


def trial_table(summary: TuningSummary) -> Table:
    """Every trial with its outcome."""
    return table_of("trials-table", summary, _trial_values, columns=_columns("trials-table", summary), is_long=True)


def _trial_values(row: TrialRow) -> dict[str, object]:
    outcome = mark(row.outcome.value, "good" if row.failure is None else "bad")
    more = [f" {row.failure}"] if row.failure is not None and row.failure != row.outcome.value else []
    if row.is_endurance:
        more.append(f" endurance {row.minutes:.3g} min" if row.minutes is not None else " endurance")
        more += [" seen by the operator, not measured"] if row.is_seen_only else []
    return {
        **_knobs(row.setting),
        "average_fps": cell(number(row.average_fps, "average_fps")),
        "outcome": cell(outcome, *more),
        "note": row.note or DASH,
    }


def criteria_table(verdict: EnduranceVerdict) -> Table:
    """Each criterion that could be measured, with its state, its number and its threshold."""
    return table_of("criteria-table", verdict, _criterion_values)


def _criterion_values(item: Criterion) -> dict[str, object] | None:
    if item.state == "not measurable":
        return None  # told once, at the end
    value = number(item.value, "value", item.unit, digits=3, reason=item.sentence)
    return {"value": value, "state": mark(item.state, STATES[item.state])}
