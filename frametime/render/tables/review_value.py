"""Speed for the money and for the energy."""

from __future__ import annotations

from frametime.render.review_words import ReviewWords, first_reason
from frametime.render.tables.parts import NOTHING, columns_of, filled, money_cell, once_a_result
from frametime.render.tables.table import Cell, Table
from frametime.review.result import ReviewResult
from frametime.review.result_tables import EfficiencyRow, ValueRow


@once_a_result
def value_table(result: ReviewResult) -> Table:
    """What the speed costs: the cards with a price, over each cut."""
    words = ReviewWords(result)
    currency = next((row.currency for row in result.value if row.price is not None and row.currency), "money")
    named = {"headline": words.headline.label, "unit": words.headline.unit, "baseline": words.baseline}
    columns = columns_of("value-table", currency=currency, **named)
    rows = []
    for number, row in enumerate(result.value):
        if row.price is None:
            continue
        reason = first_reason(row.caveats, "no comparison with the baseline")
        values: dict[str, object] = {**words.labels(row, row.caveats, on="card")}
        if row.card == result.baseline:
            values |= dict.fromkeys(("value_ratio", "value_ratio_interval"), "baseline")
            values |= dict.fromkeys(("baseline_mean_value", "break_even_price", "baseline_break_even_price"), NOTHING)
        else:
            values |= _priced(row, "break_even_price", reason) | _priced(row, "baseline_break_even_price", reason)
        rows.append(filled(columns, values, of=row, origin=f"value/{number}", reason=reason))
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


def _priced(row: ValueRow | EfficiencyRow, name: str, reason: str) -> dict[str, Cell]:
    """An amount of money with its interval."""
    ends = f"{name.removesuffix('_price')}_interval"
    return {name: money_cell(getattr(row, name), getattr(row, ends), name, ends=ends, reason=reason)}


@once_a_result
def efficiency_table(result: ReviewResult) -> Table:
    """Power, energy and running cost of the cards with sensor logs, over each cut."""
    words = ReviewWords(result)
    currency = next((row.currency for row in result.efficiency if row.currency), "money")
    years = next((row.years for row in result.efficiency if row.years is not None), None)
    period = f"{years:g} years" if years is not None else "the time"
    columns = columns_of("efficiency-table", currency=currency, period=period)
    rows = []
    for number, row in enumerate(result.efficiency):
        no_cost = first_reason(row.caveats, "the plan gives no tariff")
        values: dict[str, object] = {**words.labels(row, row.caveats, on="card")}
        values |= _priced(row, "running_cost", no_cost) | _priced(row, "total_cost", no_cost)
        if row.card == result.baseline:
            values |= dict.fromkeys(("efficiency_ratio", "efficiency_interval"), "baseline")
            values["baseline_frames_per_joule"] = NOTHING
        reason = first_reason(row.caveats, "no sensor log covers these cells")
        rows.append(filled(columns, values, of=row, origin=f"efficiency/{number}", reason=reason))
    return Table(
        "efficiency-table",
        (
            "Power and energy from the sensor logs: all numbers of a row are geometric means over the same cells, those"
            " of the standings of its cut that have sensor logs. Plus means more frames per joule."
        ),
        columns,
        tuple(rows),
    )
