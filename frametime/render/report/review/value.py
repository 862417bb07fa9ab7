"""Speed for the money and for the energy."""

from __future__ import annotations

from frametime.render.report.document import Block, Cell, Column, Paragraph, Row, Section, Table
from frametime.render.report.parts import NoteList, bare, cell, change, change_range, count, money, money_line
from frametime.render.report.review.words import Words, first_reason
from frametime.review.result import ReviewResult
from frametime.review.result_tables import EfficiencyRow, ValueRow
from frametime.units import shown_unit

_DASH = "\N{EN DASH}"


def value_section(result: ReviewResult) -> Section:
    """What the speed costs, in money and in energy; says so where prices or sensor logs are missing."""
    words = Words(result)
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


def _value_table(result: ReviewResult, words: Words, rows: list[tuple[int, ValueRow]]) -> Table:
    notes = NoteList()
    currency = next((row.currency for _, row in rows if row.currency), "money")
    return Table(
        key="value-table",
        caption=(
            f"Value by {words.headline.label}, for each cut. The break-even price is the price at which the card gives"
            f" as many frames for the money as {words.baseline} at its own price; below it, the card is better value."
        ),
        columns=(
            Column(heading="Card", is_choice=True),
            Column(heading="Cut", is_choice=True),
            Column(heading=f"Price ({currency})", kind="number"),
            Column(heading=f"Mean {words.headline.label} ({shown_unit(words.headline.unit)})", kind="number"),
            Column(heading=f"{currency} per fps", kind="number"),
            Column(heading="Frames for the money, against the baseline", kind="number"),
            Column(heading="95 % interval", kind="range"),
            Column(heading=f"Break-even price ({currency})", kind="number"),
            Column(heading=f"{words.baseline} breaks even at ({currency})", kind="number"),
        ),
        rows=tuple(
            Row(cells=_value_cells(result, words, row, notes), origin=f"value/{number}") for number, row in rows
        ),
        notes=notes.notes,
        is_long=len(rows) > 12,
    )


def _value_cells(result: ReviewResult, words: Words, row: ValueRow, notes: NoteList) -> tuple[Cell, ...]:
    is_baseline = row.card == result.baseline
    reason = first_reason(row.caveats, "no comparison with the baseline")
    price, mean = money(row.price, "price"), bare(row.mean_value, "mean_value", reason=reason)
    cost = money(row.money_per_fps, "money_per_fps", reason=reason)
    head = (
        cell(words.cards[row.card], notes=notes.of(row.caveats)),
        cell(words.cuts[row.cut]),
        cell(price),
        cell(mean, notes=notes.why(mean)),
        cell(cost, notes=notes.why(cost)),
    )
    if is_baseline:
        return (*head, cell("baseline"), cell("baseline"), cell(_DASH), cell(_DASH))
    ratio = change(row.value_ratio, "value_ratio", reason=reason)
    interval = change_range(row.value_ratio_interval, "value_ratio_interval", reason=reason)
    own = money_line(row.break_even_price, row.break_even_interval, "break_even", reason=reason)
    other = money_line(
        row.baseline_break_even_price, row.baseline_break_even_interval, "baseline_break_even", reason=reason
    )
    return (
        *head,
        cell(ratio, notes=notes.why(ratio)),
        cell(interval, notes=notes.why(interval)),
        cell(*own, notes=notes.why(*own)),
        cell(*other, notes=notes.why(*other)),
    )


def _efficiency_table(words: Words, rows: tuple[EfficiencyRow, ...]) -> Table:
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
            Column(heading="Card", is_choice=True),
            Column(heading="Cut", is_choice=True),
            Column(heading="Average power (W)", kind="number"),
            Column(heading="Energy per frame (J)", kind="number"),
            Column(heading="Frames for the energy, against the baseline", kind="number"),
            Column(heading="95 % interval", kind="range"),
            Column(heading=f"Running cost, {period} ({currency})", kind="number"),
            Column(heading=f"Price and running cost ({currency})", kind="number"),
            Column(heading="Cells", kind="number"),
        ),
        rows=tuple(
            Row(cells=_efficiency_cells(words, row, notes), origin=f"efficiency/{number}")
            for number, row in enumerate(rows)
        ),
        notes=notes.notes,
        is_long=len(rows) > 12,
    )


def _efficiency_cells(words: Words, row: EfficiencyRow, notes: NoteList) -> tuple[Cell, ...]:
    reason = first_reason(row.caveats, "no sensor log covers these cells")
    no_cost = first_reason(row.caveats, "the plan gives no tariff")
    power = bare(row.average_power_w, "average_power_w", reason=reason)
    energy = bare(row.energy_per_frame_j, "energy_per_frame_j", reason=reason)
    ratio = change(row.efficiency_ratio, "efficiency_ratio", reason=reason)
    interval = change_range(row.efficiency_interval, "efficiency_interval", reason=reason)
    running = money(row.running_cost, "running_cost", reason=no_cost)
    total = money(row.total_cost, "total_cost", reason=no_cost)
    is_baseline = row.efficiency_ratio == 1.0 and row.efficiency_interval is None
    against = (
        (cell("baseline"), cell("baseline"))
        if is_baseline
        else (cell(ratio, notes=notes.why(ratio)), cell(interval, notes=notes.why(interval)))
    )
    return (
        cell(words.cards[row.card], notes=notes.of(row.caveats)),
        cell(words.cuts[row.cut]),
        cell(power, notes=notes.why(power)),
        cell(energy, notes=notes.why(energy)),
        *against,
        cell(running, notes=notes.why(running)),
        cell(total, notes=notes.why(total)),
        cell(count(row.n_cells, "n_cells")),
    )
