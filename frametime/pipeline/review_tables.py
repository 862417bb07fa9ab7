"""Tables of a review: runs as Parquet with units, cells and standings as CSV."""

from __future__ import annotations

import io
from collections.abc import Iterable, Mapping, Sequence
from types import MappingProxyType
from typing import TYPE_CHECKING, Final, Literal

from frametime.caveats import Caveat
from frametime.pipeline.table_frames import (
    Column,
    arrow_schema,
    arrow_table,
    formula_count,
    frame_of,
    write_csv,
)
from frametime.review.result import ReviewResult, RunEntry
from frametime.statistics.differences import Interval

if TYPE_CHECKING:
    import polars as pl
    import pyarrow as pa

Row = dict[str, object]

_KINDS: Final[Mapping[str, Literal["text", "whole", "truth"]]] = {
    **dict.fromkeys(("metric", "unit", "cut", "card", "scene", "resolution", "baseline"), "text"),
    **dict.fromkeys(("verdict", "verdict_scenes_like_these", "currency", "caveats"), "text"),
    **dict.fromkeys(
        ("run_name", "run", "file", "sha256", "judgement", "flag", "flag_grubbs", "excluded_reason"), "text"
    ),
    **dict.fromkeys(("n_runs", "runs_needed", "best_place", "worst_place", "n_cells", "n_frames"), "whole"),
    **dict.fromkeys(("cells_ahead", "cells_behind", "cells_tied", "cells_undecided", "cells_missing"), "whole"),
    **dict.fromkeys(("real_but_small", "stands_after_holm", "at_margin"), "truth"),
}
"""Columns that hold no numbers with a fraction."""


def cells_frame(result: ReviewResult) -> pl.DataFrame:
    """One row for each metric, card and cell: mean over runs, and the comparison with the baseline."""
    return _frame(_cell_rows(result))


def standings_frame(result: ReviewResult) -> pl.DataFrame:
    """One row for each cut, metric and card."""
    return _frame(_standing_rows(result))


def runs_frame(result: ReviewResult) -> pl.DataFrame:
    """One row a run: where it belongs, where it came from, what is wrong with it, and every metric."""
    return _frame(_run_rows(result))


def cells_csv(result: ReviewResult, *, escape_formulas: bool = False) -> bytes:
    """The table of `cells_frame`."""
    return _csv_bytes(cells_frame(result), escape_formulas=escape_formulas)


def standings_csv(result: ReviewResult, *, escape_formulas: bool = False) -> bytes:
    """The table of `standings_frame`."""
    return _csv_bytes(standings_frame(result), escape_formulas=escape_formulas)


def review_formula_count(result: ReviewResult) -> int:
    """Cells of both tables that a spreadsheet would take for formulas."""
    return formula_count(cells_frame(result)) + formula_count(standings_frame(result))


def runs_table(result: ReviewResult) -> pa.Table:
    """The table of `runs_frame`, with the unit of each number."""
    rows = _run_rows(result)
    units = {"n_frames": "1", "duration_s": "s", **metric_units(result.runs, result)}
    return arrow_table(_frame(rows), arrow_schema(_columns(rows, units), "frametime.runs/1"))


def _cell_rows(result: ReviewResult) -> list[Row]:
    comparisons = {(item.metric, item.candidate, item.scene, item.resolution): item for item in result.comparisons}
    rows: list[Row] = []
    for metric in result.metrics:
        for cell in result.cells:
            estimate = cell.estimates[metric.key]
            found = comparisons.get((metric.key, cell.card, cell.scene, cell.resolution))
            rows.append(
                {
                    "metric": metric.key,
                    "unit": metric.unit,
                    "card": cell.card,
                    "scene": cell.scene,
                    "resolution": cell.resolution,
                    "n_runs": estimate.n_runs,
                    "value": estimate.value,
                    **_bounds("value", estimate.interval),
                    "baseline": result.baseline,
                    "ratio": None if found is None else found.ratio,
                    **_bounds("ratio", None if found is None else found.interval_95),
                    "ratio_low_90pct": _end(None if found is None else found.interval_90, "low"),
                    "ratio_high_90pct": _end(None if found is None else found.interval_90, "high"),
                    **_fields(found, "verdict", "real_but_small", "p_value", "holm_p_value", "stands_after_holm"),
                    **_fields(found, "runs_needed", "at_margin"),
                    "caveats": _codes((*cell.caveats, *estimate.caveats) if found is None else found.caveats),
                }
            )
    return rows


def _standing_rows(result: ReviewResult) -> list[Row]:
    overall = {(item.cut, item.metric, item.candidate): item for item in result.overall}
    value = {(item.cut, item.metric, item.card): item for item in result.value}
    units = {metric.key: metric.unit for metric in result.metrics}
    rows: list[Row] = []
    for item in result.standings:
        pair = overall.get((item.cut, item.metric, item.card))
        money = value.get((item.cut, item.metric, item.card))
        rows.append(
            {
                "cut": item.cut,
                "metric": item.metric,
                "unit": units[item.metric],
                "card": item.card,
                "best_place": item.best_place,
                "worst_place": item.worst_place,
                "mean_value": item.mean_value,
                "n_cells": item.n_cells,
                "baseline": result.baseline,
                "ratio": item.ratio_to_baseline,
                **_bounds("ratio_these_scenes", item.interval),
                **_bounds("ratio_scenes_like_these", None if pair is None else pair.interval_scenes_like_these),
                **_fields(pair, "verdict", "verdict_scenes_like_these"),
                **{
                    f"cells_{word}": None if pair is None else getattr(pair.counts, word)
                    for word in ("ahead", "behind", "tied", "undecided")
                },
                "cells_missing": None if pair is None else result.cells_of(item.cut).n_planned - item.n_cells,
                **_fields(money, "price", "currency", "fps_per_money", "value_ratio"),
                **_bounds("value_ratio", None if money is None else money.value_ratio_interval),
                **_fields(money, "break_even_price"),
                **_bounds("break_even_price", None if money is None else money.break_even_interval),
                "caveats": _codes(item.caveats if pair is None else pair.caveats),
            }
        )
    return rows


def _columns(rows: Sequence[Row], units: Mapping[str, str] = MappingProxyType({})) -> list[Column]:
    """Columns of rows that are all alike."""
    names = dict.fromkeys(name for row in rows for name in row)
    return [Column(name=name, kind=_KINDS.get(name, "number"), unit=units.get(name)) for name in names]


def _frame(rows: Sequence[Row]) -> pl.DataFrame:
    return frame_of(rows, _columns(rows))


def _csv_bytes(frame: pl.DataFrame, *, escape_formulas: bool) -> bytes:
    stream = io.BytesIO()
    write_csv(frame, stream, escape_formulas=escape_formulas)
    return stream.getvalue()


def _run_rows(result: ReviewResult) -> list[Row]:
    return [
        {
            "run_name": run.name,
            "card": run.card,
            "scene": run.scene,
            "resolution": run.resolution,
            "run": run.run,
            "file": run.provenance.file_name,
            "sha256": run.provenance.sha256,
            "judgement": run.judgement,
            "flag": None if run.flag is None else run.flag.sentence,
            "flag_grubbs": None if run.flag is None else run.flag.grubbs.outcome,
            "excluded_reason": run.excluded_reason,
            "caveats": _codes(run.caveats),
            "n_frames": run.n_frames,
            "duration_s": run.duration_s,
            **run.values,
        }
        for run in result.runs
    ]


def metric_units(runs: Iterable[RunEntry], result: ReviewResult) -> Mapping[str, str]:
    """Units of every metric that a run has, from the catalog or the review."""
    from frametime.metrics.catalog import CATALOG

    known = {key: metric.unit for key, metric in CATALOG.items()} | {m.key: m.unit for m in result.metrics}
    keys = dict.fromkeys(key for run in runs for key in run.values)
    return {key: known.get(key, "1") for key in keys}


def _fields(item: object, *names: str) -> Row:
    """Some fields of an entry of the result; no values where there is no entry."""
    return {name: None if item is None else getattr(item, name) for name in names}


def _bounds(name: str, interval: Interval | None) -> Row:
    return {f"{name}_low_95pct": _end(interval, "low"), f"{name}_high_95pct": _end(interval, "high")}


def _end(interval: Interval | None, end: str) -> float | None:
    return None if interval is None else getattr(interval, end)


def _codes(caveats: Iterable[Caveat]) -> str:
    return " ".join(dict.fromkeys(caveat.code for caveat in caveats))
