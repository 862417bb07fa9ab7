"""Each card against the others: over each cut, in each cell, for the money and for the energy."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Final

from frametime.render.review_words import VERDICTS, ReviewWords, first_reason
from frametime.render.tables.parts import (
    NOTHING,
    VERDICT_MARKS,
    cell,
    codes,
    columns_of,
    count,
    estimate_line,
    filled,
    money_cell,
    notes_of,
    once_a_result,
    reach_words,
    strip,
    strip_reach,
    verdict_cell,
    words_table,
)
from frametime.render.tables.table import Cell, Column, Line, Table
from frametime.review.design import MetricEntry
from frametime.review.result import ReviewResult
from frametime.review.result_tables import CellComparison, EfficiencyRow, OverallComparison, Standing, ValueRow
from frametime.review.sentence import cells_words
from frametime.statistics.differences import Interval

PLACED: Final = ("card", "place", "mean_value", "ratio_to_baseline", "interval", "others", "n_cells")
"""Columns of the cards of a table."""
APART: Final = ("card", "mean_value", "baseline_mean_value", "ratio_to_baseline", "interval", "n_cells")
"""Columns of cards that stand apart: each has a baseline mean of its own."""


@once_a_result
def standings_table(result: ReviewResult) -> Table:
    """Each card by each metric over each cut."""
    words = ReviewWords(result)
    columns = columns_of("standings-all", baseline=words.baseline)
    overall = {(item.cut, item.metric, item.candidate): item for item in result.overall}
    value = {(item.cut, item.metric, item.card): item for item in result.value}
    rows = []
    for number, item in enumerate(result.standings):
        key = (item.cut, item.metric, item.card)
        pair, money, is_base = overall.get(key), value.get(key), item.card == result.baseline
        of_pair = {} if pair is None else _of_pair(result, item, pair)
        of_value = {} if money is None else {name: getattr(money, name) for name in _OF_VALUE}
        values = {
            **words.labels(item, item.caveats, on="card"),
            "unit": words.metrics[item.metric].unit,
            "place": cell(item.place, sort=float((item.best_place or 999) * 1000 + (item.worst_place or 999))),
            "baseline": result.baseline,
            "ratio_to_baseline": cell("baseline", data=1.0) if is_base else item.ratio_to_baseline,
            "interval": cell("baseline") if is_base else item.interval,
            "others": ", ".join(words.cards[other] for other in item.not_told_apart_from) or None,
            **of_pair,
            **of_value,
            "caveats": codes(item.caveats if pair is None else pair.caveats),
        }
        reason = first_reason(item.caveats, "this card shares no cell with the others")
        rows.append(filled(columns, values, of=item, origin=f"standings/{number}", reason=reason))
    return Table(
        "standings-all",
        "Standings by every metric and cut: lower frame times and higher rates are better. A row's mean and"
        " that of the baseline beside it rest on the same cells.",
        columns,
        tuple(rows),
        is_long=True,
    )


_OF_VALUE: Final = (
    *("price", "currency", "fps_per_money", "value_ratio", "value_ratio_interval"),
    *("break_even_price", "break_even_interval"),
)


def _of_pair(result: ReviewResult, item: Standing, pair: OverallComparison) -> dict[str, object]:
    return {
        "verdict": pair.verdict,
        "verdict_scenes_like_these": pair.verdict_scenes_like_these,
        "like_these": pair.interval_scenes_like_these,
        **{f"cells_{word}": getattr(pair.counts, word) for word in VERDICTS},
        "cells_missing": result.cells_of(item.cut).n_planned - item.n_cells,
    }


def standings_of(result: ReviewResult, everything: Table, cut: str, *, key: str) -> tuple[Table, ...]:
    """The cards of one cut by the headline metric, and those that stand apart in a table of their own."""
    words = ReviewWords(result)
    chosen = everything.where(cut=cut, metric=result.headline)
    cells = result.cells_of(cut)
    said = cells_words(cells.cells, n_planned=cells.n_planned)
    labels = {"mean_value": words.metric_heading(result.headline)}
    placed = chosen.where(stands_apart=False).view(
        *PLACED,
        key=key,
        caption=f"Standings by {words.headline.label}, {words.cuts[cut]}: geometric means over {said}; "
        f"{words.better(result.headline)}.",
        labels=labels,
        long_from=len(chosen.rows),
    )
    apart = chosen.where(stands_apart=True).view(
        *APART,
        key=f"{key}-apart",
        caption=f"Cards with too few cells for a place, {words.cuts[cut]}: each on the cells that it shares with "
        f"{words.baseline}.",
        labels=labels,
        long_from=len(chosen.rows),
    )
    return tuple(table for table in (placed, apart) if table.rows)


@once_a_result
def overall_table(result: ReviewResult) -> Table:
    """Each card against the baseline by each metric over each cut."""
    words = ReviewWords(result)
    by_headline = [item for item in result.overall if item.metric == result.headline]
    reach = _reach(((item.ratio, item.interval_these_scenes) for item in by_headline), result.margin)
    columns = columns_of("overall", reach=reach_words(reach))
    rows = []
    for number, item in enumerate(result.overall):
        small = (", real but small",) if item.real_but_small else ()
        tone = VERDICT_MARKS[item.verdict].tone
        values = {
            **words.labels(item, item.caveats, on="cut"),
            "picture": strip(item.ratio, item.interval_these_scenes, tone, reach=reach, margin=result.margin),
            "verdict": verdict_cell(item.verdict, *small),
            "verdict_like_these": verdict_cell(item.verdict_scenes_like_these),
            "counts": cell(*_counts_line(item)),
        }
        reason = first_reason(item.caveats, "too few runs or scenes")
        rows.append(filled(columns, values, of=item, origin=f"overall/{number}", reason=reason))
    better = words.difference_hint(result.headline)
    return Table(
        "overall",
        f"Difference to the baseline {words.baseline} by {words.headline.label}, over the cells of the "
        f"standings of each cut: {better}.",
        columns,
        tuple(rows),
    )


def _reach(compared: Iterable[tuple[float | None, Interval | None]], margin: float, *, share: float = 1.0) -> float:
    """Scale that holds every ratio and that share of the interval ends: one wild cell must not flatten the rest."""
    told = list(compared)
    bounds = (bound for _, interval in told if interval for bound in (interval.low, interval.high))
    ends = sorted(abs(math.log(bound)) for bound in bounds if bound > 0.0)
    widest = math.exp(ends[int(share * (len(ends) - 1))]) if ends else None
    return strip_reach([widest, *(ratio for ratio, _ in told)], margin=margin)


def _counts_line(comparison: OverallComparison) -> Line:
    """In how many cells the candidate is what; verdicts that no cell has are not named."""
    numbers = {name: getattr(comparison.counts, name) for name in VERDICTS}
    parts = [(", ", count(number, f"counts/{name}"), f" {name}") for name, number in numbers.items() if number]
    return tuple(part for told in parts for part in told)[1:] or ("none",)


def left_out_table(result: ReviewResult, cut: str, *, key: str) -> Table:
    """Cells of a cut that its tables leave out, each once."""
    words = ReviewWords(result)
    rows = (
        (words.scenes[item.scene], item.resolution, ", ".join(words.cards[card] for card in item.cards))
        for item in result.cells_of(cut).left_out
    )
    caption = "Cells left out of these tables, as not every card has a usable value there."
    return words_table(key, caption, rows, columns="left-out")


@once_a_result
def cells_table(result: ReviewResult) -> Table:
    """Each metric, each card and each cell; the baseline has no difference."""
    words = ReviewWords(result)
    of_headline = [item for item in result.comparisons if item.metric == result.headline]
    reach = _reach(((item.ratio, item.interval_95) for item in of_headline), result.margin, share=0.9)
    columns = columns_of("cells", reach=reach_words(reach))
    places = {
        (item.metric, item.candidate, item.scene, item.resolution): (number, item)
        for number, item in enumerate(result.comparisons)
    }
    rows = []
    for metric in result.metrics:
        for place, summary in enumerate(result.cells):
            estimate = summary.estimates[metric.key]
            number, item = places.get((metric.key, summary.card, summary.scene, summary.resolution), (place, None))
            caveats = (*summary.caveats, *estimate.caveats) if item is None else item.caveats
            values: dict[str, object] = {
                **words.labels(summary, caveats, on="scene"),
                "metric": metric.key,
                "unit": metric.unit,
                "resolution": summary.resolution,
                "n_runs": estimate.n_runs,
                "value": estimate.value,
                "value_interval": estimate.interval,
                "baseline": result.baseline,
                "caveats": codes(caveats),
            }
            if item is not None:
                tone = VERDICT_MARKS[item.verdict].tone
                picture = strip(item.ratio, item.interval_95, tone, reach=reach, margin=result.margin)
                values |= {"verdict": verdict_cell(item.verdict, *_remark(item)), "picture": picture}
            reason = first_reason(caveats, "one side has no usable run here")
            origin = f"cells/{place}" if item is None else f"comparisons/{number}"
            rows.append(filled(columns, values, of=item, origin=origin, reason=reason))
    return Table("cells", "Each card in each cell.", columns, tuple(rows), is_long=True)


def _remark(item: CellComparison) -> Line:
    """What goes with a verdict: how many runs would decide, or that the difference is real all the same."""
    if item.runs_needed is not None:
        return (" about ", count(item.runs_needed, "runs_needed"), " runs each would decide")
    if item.at_margin:
        return (" at the margin: more runs would not decide",)
    return (", real but small",) if item.real_but_small else ()


def comparisons_of(result: ReviewResult, everything: Table, metric: MetricEntry) -> Table:
    """The cells of one metric; the runs are not counted again where they are those of the headline metric."""
    words = ReviewWords(result)
    chosen, by_headline = (
        everything.where(lambda row: row.origin.startswith("comparisons"), metric=key)
        for key in (metric.key, result.headline)
    )
    has_counts = metric.is_headline or _runs(chosen) != _runs(by_headline)
    # Beside a picture the two share a cell: apart they push the last columns out of a usual window.
    apart, together = ("ratio", "interval_95"), (("ratio", "interval_95"), "picture")
    return chosen.view(
        *("scene", "resolution", "card", "value", "baseline_value"),
        *(together if metric.is_headline else apart),
        *("verdict", "stands_after_holm", "holm_p_value"),
        *(("n_runs", "baseline_n_runs") if has_counts else ()),
        key=f"cells-{result.metrics.index(metric) + 1}",
        caption=f"{words.metric_heading(metric.key)}: difference to the baseline {words.baseline} in each cell; "
        f"{words.difference_hint(metric.key)}.",
        labels={"ratio": "Difference, 95\N{NO-BREAK SPACE}% interval"} if metric.is_headline else None,
        folded_as=None if metric.is_headline else f"{metric.label}, cell by cell ({len(chosen.rows)} rows)",
    )


def _runs(table: Table) -> set[tuple[object, ...]]:
    """Runs of the candidate and of the baseline in each cell."""
    keys = ("card", "scene", "resolution", "n_runs", "baseline_n_runs")
    return {tuple(table.exact(row, key) for key in keys) for row in table.rows}


def estimates_table(result: ReviewResult) -> Table:
    """Every card in every cell, a column for each metric."""
    words = ReviewWords(result)
    metrics = (Column(key, f"{words.metric_heading(key)}, {words.better(key)}", "number") for key in words.metrics)
    columns = (*columns_of("estimates"), *metrics)
    rows = []
    for place, summary in enumerate(result.cells):
        n_runs = len(summary.run_names)
        values: dict[str, object] = {**words.labels(summary, summary.caveats, on="scene")}
        values["n_runs"] = cell(str(n_runs), sort=float(n_runs))
        for key, estimate in summary.estimates.items():
            reason = first_reason(estimate.caveats, "no run has this value")
            line = estimate_line(estimate.value, estimate.interval, f"estimates/{key}", reason=reason)
            values[key] = cell(*line, notes=notes_of(estimate.caveats))
        rows.append(filled(columns, values, of=summary, origin=f"cells/{place}"))
    caption = "Each card in each cell: the metric over the runs that count, and under it the 95 % interval."
    return Table("estimates", caption, columns, tuple(rows), is_long=True)


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
