"""Speed for the money and for the energy."""

from __future__ import annotations

from frametime.render.review_words import ReviewWords, first_reason
from frametime.render.tables.parts import fields, filled, label_cell, money_cell, notes_of, once_a_result
from frametime.render.tables.table import Cell, Column, Table
from frametime.review.result import ReviewResult
from frametime.review.result_tables import EfficiencyRow, ValueRow


@once_a_result
def value_table(result: ReviewResult) -> Table:
    """What the speed costs: the cards with a price, over each cut."""
    words = ReviewWords(result)
    currency = next((row.currency for row in result.value if row.price is not None and row.currency), "money")
    columns = (
        Column("card", "Card", is_choice=True),
        Column("cut", "Cut", is_choice=True),
        Column("price", f"Price ({currency})", "money"),
        Column("mean_value", f"Mean {words.headline.label}", "number", unit=words.headline.unit),
        Column("money_per_fps", f"{currency} per fps", "money"),
        Column("fps_per_money", f"fps per {currency}", "number"),
        Column("baseline_mean_value", "Baseline there (fps)", "number"),
        Column("value_ratio", "Speed for the money, against the baseline", "change"),
        Column("value_ratio_interval", "95 % interval", "range"),
        Column("break_even_price", f"Break-even price ({currency})", "money"),
        Column("baseline_break_even_price", f"{words.baseline} breaks even at ({currency})", "money"),
        Column("stands_apart", kind="truth"),
    )
    rows = []
    for number, row in enumerate(result.value):
        if row.price is None:
            continue
        reason = first_reason(row.caveats, "no comparison with the baseline")
        values = fields(row, "price", "mean_value", "money_per_fps", "fps_per_money", "stands_apart")
        if row.card == result.baseline:
            values |= dict.fromkeys(("value_ratio", "value_ratio_interval"), "baseline")
        else:
            values |= fields(row, "baseline_mean_value", "value_ratio", "value_ratio_interval")
            for name in ("break_even", "baseline_break_even"):
                values[f"{name}_price"] = _priced(row, f"{name}_price", f"{name}_interval", reason)
        values["card"] = label_cell(words.cards[row.card], row.card, notes=notes_of(row.caveats))
        values["cut"] = label_cell(words.cuts[row.cut], row.cut)
        rows.append(filled(columns, values, origin=f"value/{number}", reason=reason))
    return Table(
        "value-table",
        (
            f"Value by {words.headline.label}, over the cells of the standings of each cut. The break-even price is the"
            f" price at which the card gives as much speed for the money as {words.baseline} at its own price; below"
            " it, the card is better value."
        ),
        columns,
        tuple(rows),
    )


def _priced(row: ValueRow | EfficiencyRow, name: str, ends: str, reason: str) -> Cell:
    return money_cell(getattr(row, name), getattr(row, ends), name, ends=ends, reason=reason)


@once_a_result
def efficiency_table(result: ReviewResult) -> Table:
    """Power, energy and running cost of the cards with sensor logs, over each cut."""
    words = ReviewWords(result)
    currency = next((row.currency for row in result.efficiency if row.currency), "money")
    years = next((row.years for row in result.efficiency if row.years is not None), None)
    period = f"{years:g} years" if years is not None else "the time"
    columns = (
        Column("card", "Card", is_choice=True),
        Column("cut", "Cut", is_choice=True),
        Column("mean_rate_fps", "Average rate (fps)", "number"),
        Column("average_power_w", "Average power", "number", unit="W"),
        Column("energy_per_frame_j", "Energy per frame", "number", unit="J"),
        Column("frames_per_joule", "Frames per joule", "number"),
        Column("baseline_frames_per_joule", "Baseline there", "number"),
        Column("efficiency_ratio", "Frames per joule, against the baseline", "change"),
        Column("efficiency_interval", "95 % interval", "range"),
        Column("running_cost", f"Running cost, {period} ({currency})", "money"),
        Column("total_cost", f"Price and running cost ({currency})", "money"),
        Column("n_cells", "Cells", "whole"),
        Column("stands_apart", kind="truth"),
    )
    rows = []
    for number, row in enumerate(result.efficiency):
        reason = first_reason(row.caveats, "no sensor log covers these cells")
        no_cost = first_reason(row.caveats, "the plan gives no tariff")
        values = fields(row, "mean_rate_fps", "average_power_w", "energy_per_frame_j", "frames_per_joule")
        values |= fields(row, "n_cells", "stands_apart")
        if row.card == result.baseline:
            values |= dict.fromkeys(("efficiency_ratio", "efficiency_interval"), "baseline")
        else:
            values |= fields(row, "baseline_frames_per_joule", "efficiency_ratio", "efficiency_interval")
        for name in ("running_cost", "total_cost"):
            values[name] = _priced(row, name, f"{name}_interval", no_cost)
        values["card"] = label_cell(words.cards[row.card], row.card, notes=notes_of(row.caveats))
        values["cut"] = label_cell(words.cuts[row.cut], row.cut)
        rows.append(filled(columns, values, origin=f"efficiency/{number}", reason=reason))
    return Table(
        "efficiency-table",
        (
            "Power and energy from the sensor logs: all numbers of a row are geometric means over the same cells, those"
            " of the standings of its cut that have sensor logs. Plus means more frames per joule."
        ),
        columns,
        tuple(rows),
    )
