"""Each card in each cell: its own numbers, and how far it lies from the baseline there."""

from __future__ import annotations

import math

from frametime.render.review_words import ReviewWords, first_reason
from frametime.render.tables.parts import (
    VERDICT_MARKS,
    cell,
    codes,
    columns_of,
    count,
    estimate_line,
    filled,
    notes_of,
    once_a_result,
    reach_words,
    strip,
    strip_reach,
    verdict_cell,
)
from frametime.render.tables.table import Column, Line, Table
from frametime.review.design import MetricEntry
from frametime.review.result import ReviewResult
from frametime.review.result_tables import CellComparison


@once_a_result
def cells_table(result: ReviewResult) -> Table:
    """Each metric, each card and each cell; the baseline has no difference."""
    words = ReviewWords(result)
    of_headline = [item for item in result.comparisons if item.metric == result.headline]
    reach = _reach(of_headline, result.margin)
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


def _reach(items: list[CellComparison], margin: float) -> float:
    """Scale that holds every ratio and nine in ten of the interval ends: one wild cell must not flatten the rest."""
    intervals = [item.interval_95 for item in items if item.interval_95]
    bounds = (bound for interval in intervals for bound in (interval.low, interval.high))
    ends = sorted(abs(math.log(bound)) for bound in bounds if bound > 0.0)
    widest = math.exp(ends[int(0.9 * (len(ends) - 1))]) if ends else None
    return strip_reach([widest, *(item.ratio for item in items)], margin=margin)


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
