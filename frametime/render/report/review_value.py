"""Speed for the money and for the energy."""

from __future__ import annotations

from frametime.render.report.document import Block, Cell, Column, Paragraph, Row, Section, Table
from frametime.render.report.document_parts import (
    NoteList,
    bare,
    cell,
    change,
    change_range,
    choices,
    count,
    money,
    money_line,
    numbers,
)
from frametime.render.report.review_verdict import ReviewWords, first_reason
from frametime.review.result import ReviewResult
from frametime.review.result_tables import EfficiencyRow, ValueRow
from frametime.units import shown_unit

_DASH = "\N{EN DASH}"


def value_section(result: ReviewResult) -> Section:
    """What the speed costs, in money and in energy; says so where prices or sensor logs are missing."""
    words = ReviewWords(result)
    priced = [(number, row) for number, row in enumerate(result.value) if row.price is not None]
    blocks: list[Block] = []
    if priced:
        blocks.append(_value_table(result, words, priced))
    else:
        blocks.append(Paragraph(content=("The plan gives no prices, so nothing is said about value.",)))
    if result.efficiency:
        blocks.append(_efficiency_table(words, result.efficiency))
    else:
        blocks.append(Paragraph(content=("There are no sensor logs, so nothing is said about power and energy.",)))
    return Section(key="value", heading="Value and efficiency", blocks=tuple(blocks))


def _value_table(result: ReviewResult, words: ReviewWords, rows: list[tuple[int, ValueRow]]) -> Table:
    notes = NoteList()
    currency = next((row.currency for _, row in rows if row.currency), "money")
    return Table(
        key="value-table",
        caption=(
            f"Value by {words.headline.label}, for each cut. The break-even price is the price at which the card gives"
            f" as many frames for the money as {words.baseline} at its own price; below it, the card is better value."
        ),
        columns=(
            *choices("Card", "Cut"),
            *numbers(
                f"Price ({currency})",
                f"Mean {words.headline.label} ({shown_unit(words.headline.unit)})",
                f"{currency} per fps",
                f"fps per {currency}",
                "Frames for the money, against the baseline",
            ),
            Column(heading="95 % interval", kind="range"),
            *numbers(f"Break-even price ({currency})", f"{words.baseline} breaks even at ({currency})"),
        ),
        rows=tuple(
            Row(cells=_value_cells(result, words, row, notes), origin=f"value/{number}") for number, row in rows
        ),
        notes=notes.notes,
        is_long=len(rows) > 12,
    )


def _value_cells(result: ReviewResult, words: ReviewWords, row: ValueRow, notes: NoteList) -> tuple[Cell, ...]:
    is_baseline = row.card == result.baseline
    reason = first_reason(row.caveats, "no comparison with the baseline")
    price, mean = money(row.price, "price"), bare(row.mean_value, "mean_value", reason=reason)
    head = (
        cell(words.cards[row.card], notes=notes.of(row.caveats)),
        cell(words.cuts[row.cut]),
        cell(price),
        notes.cell(mean),
        notes.cell(money(row.money_per_fps, "money_per_fps", reason=reason)),
        notes.cell(bare(row.fps_per_money, "fps_per_money", reason=reason)),
    )
    if is_baseline:
        return (*head, cell("baseline"), cell("baseline"), cell(_DASH), cell(_DASH))
    return (
        *head,
        notes.cell(change(row.value_ratio, "value_ratio", reason=reason)),
        notes.cell(change_range(row.value_ratio_interval, "value_ratio_interval", reason=reason)),
        notes.cell(*money_line(row.break_even_price, row.break_even_interval, "break_even", reason=reason)),
        notes.cell(
            *money_line(
                row.baseline_break_even_price, row.baseline_break_even_interval, "baseline_break_even", reason=reason
            )
        ),
    )


def _efficiency_table(words: ReviewWords, rows: tuple[EfficiencyRow, ...]) -> Table:
    notes = NoteList()
    currency = next((row.currency for row in rows if row.currency), "money")
    years = next((row.years for row in rows if row.years is not None), None)
    period = f"{years:g} years" if years is not None else "the time"
    return Table(
        key="efficiency-table",
        caption=(
            "Power and energy from the sensor logs, for each cut. Average power is the mean over cells; energy per"
            " frame is the geometric mean over cells, lower is better. Plus means more frames for the energy."
        ),
        columns=(
            *choices("Card", "Cut"),
            *numbers(
                "Average power (W)",
                "Energy per frame (J)",
                "Frames per joule",
                "Frames for the energy, against the baseline",
            ),
            Column(heading="95 % interval", kind="range"),
            *numbers(f"Running cost, {period} ({currency})", f"Price and running cost ({currency})", "Cells"),
        ),
        rows=tuple(
            Row(cells=_efficiency_cells(words, row, notes), origin=f"efficiency/{number}")
            for number, row in enumerate(rows)
        ),
        notes=notes.notes,
        is_long=len(rows) > 12,
    )


def _efficiency_cells(words: ReviewWords, row: EfficiencyRow, notes: NoteList) -> tuple[Cell, ...]:
    reason = first_reason(row.caveats, "no sensor log covers these cells")
    no_cost = first_reason(row.caveats, "the plan gives no tariff")
    is_baseline = row.efficiency_ratio == 1.0 and row.efficiency_interval is None
    against = (
        (cell("baseline"), cell("baseline"))
        if is_baseline
        else (
            notes.cell(change(row.efficiency_ratio, "efficiency_ratio", reason=reason)),
            notes.cell(change_range(row.efficiency_interval, "efficiency_interval", reason=reason)),
        )
    )
    return (
        cell(words.cards[row.card], notes=notes.of(row.caveats)),
        cell(words.cuts[row.cut]),
        notes.cell(bare(row.average_power_w, "average_power_w", reason=reason)),
        notes.cell(bare(row.energy_per_frame_j, "energy_per_frame_j", reason=reason)),
        notes.cell(bare(row.frames_per_joule, "frames_per_joule", reason=reason)),
        *against,
        notes.cell(money(row.running_cost, "running_cost", reason=no_cost)),
        notes.cell(money(row.total_cost, "total_cost", reason=no_cost)),
        cell(count(row.n_cells, "n_cells")),
    )
