"""The tables of a tuning record: map, settings past the edge, speed of each setting, trials."""

from __future__ import annotations

from typing import Final

from frametime.render.report.document import Block, Cell, Column, Mark, Paragraph, Row, Table
from frametime.render.report.document_parts import (
    NoteList,
    bare,
    cell,
    change,
    change_range,
    choices,
    count,
    mark,
    missing,
    numbers,
    texts,
)
from frametime.tuning.record import Setting
from frametime.tuning.tuning_summary import MapCell, SettingRow, TrialRow, TuningSummary

TOO_FEW: Final = "fewer than two runs on a side, or runs equal to the last digit, give no interval"
_DASH: Final = "\N{EN DASH}"


def map_blocks(summary: TuningSummary, *, is_drawn: bool) -> tuple[Block, ...]:
    """Gains and failures over core and memory offset; folded away where a chart shows them."""
    if not summary.map:
        return (Paragraph(content=("No setting has been tried yet.",)),)
    cells = {
        (item.setting.core_offset_mhz, item.setting.memory_offset_mhz): (number, item)
        for number, item in enumerate(summary.map)
    }
    cores = sorted({core for core, _ in cells})
    memories = sorted({memory for _, memory in cells}, reverse=True)
    rows = tuple(
        Row(
            cells=(
                cell(_offset(memory), sort=float(memory)),
                *(_map_cell(cells.get((core, memory)), summary.best) for core in cores),
            )
        )
        for memory in memories
    )
    table = Table(
        key="map-table",
        caption=(
            f"Gain over stock under {summary.workloads[-1]}: memory offset down, core offset across. Passed: it passed"
            " what it ran, without a gain that can be given."
        ),
        columns=(
            Column(heading="Memory offset (MHz)"),
            *(Column(heading=f"Core {_offset(core)}", kind="number") for core in cores),
        ),
        rows=rows,
        folded_as="The map as a table" if is_drawn else None,
    )
    return (table,)


def _offset(value: int) -> str:
    return f"{value:+d}".replace("-", "\N{MINUS SIGN}")


def _map_cell(found: tuple[int, MapCell] | None, best: Setting | None) -> Cell:
    if found is None or found[1].status == "not tried":
        return cell(_DASH)
    number, item = found
    is_best = item.setting == best
    if item.status == "failed" and not is_best:
        return cell(mark(f"failed under {item.failed_under}" if item.failed_under else "failed", "bad"))
    ending: tuple[str | Mark, ...] = (" ", mark("best", "good")) if is_best else ()
    if item.gain is None:
        return cell(mark("passed", "good"), *ending)
    return cell(change(item.gain.value, f"/map/{number}/gain/value"), *ending)


def edge_blocks(summary: TuningSummary) -> tuple[Block, ...]:
    """Higher clocks that are slower."""
    if not summary.past_edge:
        return (Paragraph(content=("No higher clock has been shown to be slower than a lower one.",)),)
    rows = tuple(
        Row(
            cells=(
                cell(str(item.setting)),
                cell(str(item.slower_than)),
                cell(item.clock),
                cell(item.workload),
                cell(change(item.ratio.value, "ratio/value")),
                cell(change_range(item.ratio.interval, "ratio/interval", reason=TOO_FEW)),
            ),
            origin=f"past_edge/{number}",
        )
        for number, item in enumerate(summary.past_edge)
    )
    return (
        Table(
            key="edge-table",
            caption="Higher clocks that are credibly slower: the whole interval of the ratio lies below no difference.",
            columns=(
                *texts("Setting", "Slower than", "Clock", "Workload"),
                Column(heading="Difference", kind="number"),
                Column(heading="95 % interval", kind="range"),
            ),
            rows=rows,
        ),
    )


def setting_table(summary: TuningSummary) -> Table:
    """Speed, gain and power at each setting."""
    notes = NoteList()
    return Table(
        key="settings",
        caption="All runs that passed at each setting. Gain is average FPS over that at stock; higher is better.",
        columns=(
            *numbers("Core (MHz)", "Memory (MHz)"),
            Column(heading="Workload", is_choice=True),
            *numbers("Runs", "Average FPS", "Gain over stock"),
            Column(heading="95 % interval", kind="range"),
            *numbers("Gain (% per MHz)", "Power (W)", "FPS per watt"),
        ),
        rows=tuple(
            Row(cells=_setting_cells(row, notes), origin=f"settings/{number}")
            for number, row in enumerate(summary.settings)
        ),
        notes=notes.notes,
        is_long=True,
    )


def _setting_cells(row: SettingRow, notes: NoteList) -> tuple[Cell, ...]:
    is_stock = row.setting == Setting()
    gain, interval = missing("no runs at stock", "gain"), missing("no runs at stock", "gain/interval")
    shown: tuple[Cell, Cell] = (cell("stock"), cell("stock"))
    if row.gain is not None:
        shown = (
            cell(change(row.gain.value, "gain/value")),
            cell(change_range(row.gain.interval, "gain/interval", reason=TOO_FEW)),
        )
        if row.gain.interval is None:
            without = missing(TOO_FEW, "gain/interval")
            shown = (shown[0], notes.cell(without))
    elif not is_stock:
        shown = (notes.cell(gain), notes.cell(interval))
    slope = notes.cell(missing("no lower setting", "gain_pct_per_mhz"))
    if row.gain_pct_per_mhz is not None and row.step_from is not None:
        clock = "core" if row.step_from.core_offset_mhz != row.setting.core_offset_mhz else "memory"
        slope = cell(bare(row.gain_pct_per_mhz, "gain_pct_per_mhz", digits=2), f" ({clock})")
    return (
        *_offsets(row.setting),
        cell(row.workload),
        cell(count(row.n_runs, "n_runs")),
        cell(bare(row.average_fps, "average_fps")),
        *shown,
        slope,
        notes.cell(bare(row.average_power_w, "average_power_w", digits=3, reason="no sensor log")),
        notes.cell(bare(row.frames_per_joule, "frames_per_joule", digits=3, reason="no sensor log")),
    )


def _offsets(setting: Setting) -> tuple[Cell, Cell]:
    return (
        cell(count(setting.core_offset_mhz, "setting/core_offset_mhz")),
        cell(count(setting.memory_offset_mhz, "setting/memory_offset_mhz")),
    )


def trial_table(summary: TuningSummary) -> Table:
    """Every trial with its outcome."""
    notes = NoteList()
    return Table(
        key="trials-table",
        caption="Every trial in the order in which it was made.",
        columns=(
            *numbers("Trial", "Core (MHz)", "Memory (MHz)"),
            *choices("Workload", "Outcome"),
            *numbers("Runs", "Average FPS", "Power (W)", "Peak temperature (°C)"),
            Column(heading="Note"),
        ),
        rows=tuple(
            Row(cells=_trial_cells(row, notes), origin=f"trials/{number}") for number, row in enumerate(summary.trials)
        ),
        notes=notes.notes,
        is_long=True,
    )


def _trial_cells(row: TrialRow, notes: NoteList) -> tuple[Cell, ...]:
    outcome = mark(row.outcome.value, "good" if row.failure is None else "bad")
    more = [f" {row.failure}"] if row.failure is not None and row.failure != row.outcome.value else []
    if row.is_endurance:
        more.append(f" endurance, {row.minutes:g} min" if row.minutes is not None else " endurance")
    return (
        cell(count(row.number, "number")),
        *_offsets(row.setting),
        cell(row.workload),
        cell(outcome, *more, sort=row.outcome.value),
        cell(count(row.n_runs, "n_runs")),
        notes.cell(bare(row.average_fps, "average_fps", reason="not measured")),
        notes.cell(bare(row.average_power_w, "average_power_w", digits=3, reason="no sensor log")),
        notes.cell(bare(row.peak_temperature_c, "peak_temperature_c", digits=3, reason="no sensor log")),
        cell(row.note or _DASH),
    )
