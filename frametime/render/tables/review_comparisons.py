"""Each card against the others: over each cut, in each cell, for the money and for the energy."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from typing import Final

from frametime.render.review_words import VERDICTS, better_words, difference_hint, labels_of, metric_heading
from frametime.render.tables import parts
from frametime.render.tables.table import Cell, Column, Line, Number, Table
from frametime.review.design import MetricEntry
from frametime.review.result import ReviewResult
from frametime.review.result_tables import (
    CellComparison,
    CellSummary,
    EfficiencyRow,
    OverallComparison,
    Standing,
    ValueRow,
)
from frametime.review.sentence import cells_words
from frametime.statistics.interval import Interval

PLACED: Final = ("card", "place", "mean_value", "ratio_to_baseline", "interval", "others", "n_cells")
"""Columns of the cards of a table."""
APART: Final = ("card", "mean_value", "baseline_mean_value", "ratio_to_baseline", "interval", "n_cells")
"""Columns of cards that stand apart: each has a baseline mean of its own."""
_LEAST_P: Final = 0.0001
"""A smaller chance is told as below it."""


@parts.once_a_result
def standings_table(result: ReviewResult) -> Table:
    """Each card by each metric over each cut."""
    overall = {(item.cut, item.metric, item.candidate): item for item in result.overall}
    value = {(item.cut, item.metric, item.card): item for item in result.value}

    def values(item: Standing) -> dict[str, object]:
        key = (item.cut, item.metric, item.card)
        pair, money, is_base = overall.get(key), value.get(key), item.card == result.baseline
        of_pair: dict[str, object] = {}
        if pair is not None:
            of_pair = {f"cells_{word}": getattr(pair.counts, word) for word in VERDICTS}
            of_pair |= {name: getattr(pair, name) for name in ("verdict", "verdict_scenes_like_these")}
            of_pair["like_these"] = pair.interval_scenes_like_these
            of_pair["cells_missing"] = result.cells_of(item.cut).n_planned - item.n_cells
        return {
            **labels_of(result, item, item.caveats, on="card"),
            "unit": result.metric(item.metric).unit,
            "place": parts.cell(item.place, sort=float((item.best_place or 999) * 1000 + (item.worst_place or 999))),
            "baseline": result.baseline,
            "ratio_to_baseline": replace(parts.BASELINE, data=1.0) if is_base else item.ratio_to_baseline,
            "interval": parts.BASELINE if is_base else item.interval,
            "others": ", ".join(result.label(other) for other in item.not_told_apart_from) or None,
            **of_pair,
            **({} if money is None else {name: getattr(money, name) for name in _OF_VALUE}),
            "caveats": parts.codes(item.caveats if pair is None else pair.caveats),
        }

    words = {"baseline": result.label(result.baseline)}
    return parts.table_of("standings-all", result, values, words=words, is_long=True)


_OF_VALUE: Final = (
    *("price", "currency", "fps_per_money", "value_ratio", "value_ratio_interval"),
    *("break_even_price", "break_even_interval"),
)


def standings_of(result: ReviewResult, everything: Table, cut: str, *, key: str) -> tuple[Table, ...]:
    """The cards of one cut by the headline metric, and those that stand apart in a table of their own."""
    chosen = everything.where(cut=cut, metric=result.headline)
    cells = result.cells_of(cut)
    said = cells_words(cells.cells, n_planned=cells.n_planned)
    told = {"headline": result.metric(result.headline).label, "cut": result.cut(cut).label, "cells": said}
    told |= {"baseline": result.label(result.baseline), "better": better_words(result, result.headline)}
    labels = {"mean_value": metric_heading(result, result.headline)}
    tables = (
        chosen.where(stands_apart=bool(apart)).view(
            *columns,
            key=key + apart,
            caption=parts.caption_of(f"standings{apart}", **told),
            labels=labels,
            long_from=len(chosen.rows),
        )
        for apart, columns in (("", PLACED), ("-apart", APART))
    )
    return tuple(table for table in tables if table.rows)


def best_first(result: ReviewResult, cut: str = "all") -> list[Standing]:
    """Standings of a cut by the headline metric, best first; cards that stand apart below, those without runs last."""
    sign = 1.0 if result.metric(result.headline).better == "lower" else -1.0
    return sorted(
        (item for item in result.standings if (item.cut, item.metric) == (cut, result.headline)),
        key=lambda item: (item.mean_value is None, item.stands_apart, sign * (item.mean_value or 0.0)),
    )


def peak_temperatures_c(result: ReviewResult, cut: str) -> dict[str, float]:
    """The greatest temperature of each card in any of its runs in the cells of a cut that have power."""
    found: dict[str, float] = {}
    cells = [item for item in result.table_cells if (item.cut, item.kind) == (cut, "power")]
    for run in result.runs if cells else ():
        peak_c = run.values.get("peak_temperature_c")
        counts = run.excluded_reason is None and (run.scene, run.resolution) in cells[0].of(run.card)
        if peak_c is not None and counts and run.card in cells[0].cards:
            found[run.card] = max(peak_c, found.get(run.card, peak_c))
    return found


@parts.once_a_result
def overall_table(result: ReviewResult) -> Table:
    """Each card against the baseline by each metric over each cut."""
    by_headline = [item for item in result.overall if item.metric == result.headline]
    reach = _reach(((item.ratio, item.interval_these_scenes) for item in by_headline), result.margin)

    def values(item: OverallComparison) -> dict[str, object]:
        small = (", real but small",) if item.real_but_small else ()
        return {
            **labels_of(result, item, item.caveats, on="cut"),
            "picture": parts.strip(
                item.ratio, item.interval_these_scenes, item.verdict, reach=reach, margin=result.margin
            ),
            "verdict": parts.verdict_cell(item.verdict, *small, ratio=item.ratio),
            "verdict_like_these": parts.verdict_cell(item.verdict_scenes_like_these, ratio=item.ratio),
            "counts": parts.cell(*_counts_line(item)),
        }

    told = {"baseline": result.label(result.baseline), "headline": result.metric(result.headline).label}
    told |= {"reach": parts.reach_words(reach), "hint": difference_hint(result, result.headline)}
    return parts.table_of("overall", result, values, words=told)


def _reach(compared: Iterable[tuple[float | None, Interval | None]], margin: float, *, share: float = 1.0) -> float:
    """Scale that holds every ratio and that share of the interval ends: one wild cell must not flatten the rest."""
    told = list(compared)
    bounds = (bound for _, interval in told if interval for bound in (interval.low, interval.high))
    ends = sorted(abs(math.log(bound)) for bound in bounds if bound > 0.0)
    widest = math.exp(ends[int(share * (len(ends) - 1))]) if ends else None
    return parts.strip_reach([widest, *(ratio for ratio, _ in told)], margin=margin)


def _counts_line(comparison: OverallComparison) -> Line:
    """In how many cells the candidate is what; verdicts that no cell has are not named."""
    numbers = {name: getattr(comparison.counts, name) for name in VERDICTS}
    told = [(", ", parts.count(number, f"counts/{name}"), f" {name}") for name, number in numbers.items() if number]
    return tuple(part for one in told for part in one)[1:] or ("none",)


def left_out_table(result: ReviewResult, cut: str, *, key: str) -> Table:
    """Cells of a cut that its tables leave out, each once."""
    rows = (
        (result.scene(item.scene).label, item.resolution, ", ".join(result.label(card) for card in item.cards))
        for item in result.cells_of(cut).left_out
    )
    return replace(parts.words_table("left-out", rows), key=key)


@parts.once_a_result
def cells_table(result: ReviewResult) -> Table:
    """Each metric, each card and each cell; the baseline has no difference."""
    of_headline = [item for item in result.comparisons if item.metric == result.headline]
    reach = _reach(((item.ratio, item.interval_95) for item in of_headline), result.margin, share=0.9)
    columns = parts.columns_of("cells", reach=parts.reach_words(reach))
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
            # Hitches that recur say nothing of a difference: they stand with the card's own numbers.
            told = [caveat for caveat in caveats if caveat.code != "recurring-hitches"]
            values: dict[str, object] = {
                **labels_of(result, summary, told, on="scene"),
                "metric": metric.key,
                "unit": metric.unit,
                "resolution": summary.resolution,
                "n_runs": estimate.n_runs,
                "value": estimate.value,
                "value_interval": estimate.interval,
                "baseline": result.baseline,
                "caveats": parts.codes(caveats),
            }
            if item is not None:
                picture = parts.strip(item.ratio, item.interval_95, item.verdict, reach=reach, margin=result.margin)
                verdict = parts.verdict_cell(item.verdict, *_remark(item), ratio=item.ratio)
                values |= {"verdict": verdict, "picture": picture}
                if item.holm_p_value is not None and item.holm_p_value < _LEAST_P:
                    values["holm_p_value"] = Number(
                        text=f"< {_LEAST_P}", value=item.holm_p_value, origin="holm_p_value"
                    )
            reason = parts.first_reason(caveats, "one side has no usable run here")
            origin = f"cells/{place}" if item is None else f"comparisons/{number}"
            rows.append(parts.filled(columns, values, of=item, origin=origin, reason=reason))
    return Table("cells", parts.caption_of("cells"), columns, tuple(rows), is_long=True)


def _remark(item: CellComparison) -> Line:
    """What goes with a verdict: how many runs would decide, or that the difference is real all the same."""
    if item.runs_needed is not None:
        return (", about ", parts.count(item.runs_needed, "runs_needed"), " runs each would decide")
    if item.at_margin:
        return (", at the margin: more runs would not decide",)
    return (", real but small",) if item.real_but_small else ()


def comparisons_of(result: ReviewResult, everything: Table, metric: MetricEntry) -> Table:
    """The cells of one metric; the runs are not counted again where they are those of the headline metric."""
    chosen, by_headline = (
        everything.where(lambda row: row.origin.startswith("comparisons"), metric=key)
        for key in (metric.key, result.headline)
    )
    heading, hint = metric_heading(result, metric.key), difference_hint(result, metric.key)
    baseline = result.label(result.baseline)
    has_counts = metric.is_headline or _runs(chosen) != _runs(by_headline)
    # Beside a picture the two share a cell: apart they push the last columns out of a usual window.
    apart, together = ("ratio", "interval_95"), (("ratio", "interval_95"), "picture")
    return chosen.view(
        *("scene", "resolution", "card", "value", "baseline_value"),
        *(together if metric.is_headline else apart),
        *("verdict", "stands_after_holm", "holm_p_value"),
        *(("n_runs", "baseline_n_runs") if has_counts else ()),
        key=f"cells-{result.metrics.index(metric) + 1}",
        caption=parts.caption_of("cells-of-metric", heading=heading, baseline=baseline, hint=hint),
        labels={"ratio": "Difference, 95\N{NO-BREAK SPACE}% interval"} if metric.is_headline else None,
        folded_as=None if metric.is_headline else f"{metric.label}, cell by cell ({len(chosen.rows)} rows)",
    )


def _runs(table: Table) -> set[tuple[object, ...]]:
    """Runs of the candidate and of the baseline in each cell."""
    keys = ("card", "scene", "resolution", "n_runs", "baseline_n_runs")
    return {tuple(table.exact(row, key) for key in keys) for row in table.rows}


def estimates_table(result: ReviewResult) -> Table:
    """Every card in every cell, a column for each metric."""
    metrics = (
        Column(key, f"{metric_heading(result, key)}, {better_words(result, key)}", "number")
        for key in (metric.key for metric in result.metrics)
    )

    def values(summary: CellSummary) -> dict[str, object]:
        n_runs = len(summary.run_names)
        told: dict[str, object] = {**labels_of(result, summary, summary.caveats, on="scene")}
        told["n_runs"] = parts.cell(str(n_runs), sort=float(n_runs))
        for key, estimate in summary.estimates.items():
            reason = parts.first_reason(estimate.caveats, "no run has this value")
            line = parts.estimate_line(estimate.value, estimate.interval, f"estimates/{key}", reason=reason)
            told[key] = parts.cell(*line, notes=parts.notes_of(estimate.caveats))
        return told

    return parts.table_of("estimates", result, values, columns=(*parts.columns_of("estimates"), *metrics), is_long=True)


@parts.once_a_result
def value_table(result: ReviewResult) -> Table:
    """What the speed costs: the cards with a price, over each cut."""
    currency = next((row.currency for row in result.value if row.currency), "money")
    headline, baseline = result.metric(result.headline), result.label(result.baseline)
    named = {"headline": headline.label, "unit": headline.unit, "baseline": baseline, "currency": currency}

    def values(row: ValueRow) -> dict[str, object] | None:
        if row.price is None:
            return None
        told: dict[str, object] = {**labels_of(result, row, row.caveats, on="card")}
        prices = ("break_even_price", "baseline_break_even_price")
        if row.card == result.baseline:
            told |= dict.fromkeys(("value_ratio", "value_ratio_interval"), parts.BASELINE)
            return told | dict.fromkeys(("baseline_mean_value", *prices), parts.NOTHING)
        return told | _priced(row, *prices, reason=parts.first_reason(row.caveats, "no comparison with the baseline"))

    return parts.table_of("value-table", result, values, words=named)


def _priced(row: ValueRow | EfficiencyRow, *names: str, reason: str) -> dict[str, Cell]:
    """Amounts of money with their intervals."""
    ends = {name: f"{name.removesuffix('_price')}_interval" for name in names}
    return {
        name: parts.money_cell(getattr(row, name), getattr(row, end), name, ends=end, reason=reason)
        for name, end in ends.items()
    }


@parts.once_a_result
def efficiency_table(result: ReviewResult) -> Table:
    """Power and energy of the cards with sensor logs, over each cut; running cost where the plan has a tariff."""
    currency = next((row.currency for row in result.efficiency if row.currency), "money")
    years = next((row.years for row in result.efficiency if row.years is not None), None)
    columns = parts.columns_of("efficiency-table", currency=currency, period=f"{years or 0.0:g} years")
    if years is None:
        columns = tuple(column for column in columns if column.key not in {"running_cost", "total_cost"})

    def values(row: EfficiencyRow) -> dict[str, object]:
        told: dict[str, object] = {**labels_of(result, row, row.caveats, on="card")}
        unknown = parts.first_reason(row.caveats, "the power is not known")
        told |= _priced(row, "running_cost", reason=unknown)
        told |= _priced(row, "total_cost", reason="the plan gives no price" if row.running_cost else unknown)
        if row.card == result.baseline:
            told |= dict.fromkeys(("efficiency_ratio", "efficiency_interval"), parts.BASELINE)
            told["baseline_frames_per_joule"] = parts.NOTHING
        return told

    return parts.table_of("efficiency-table", result, values, columns=columns)
