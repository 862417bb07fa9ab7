"""Tables of a review: runs as Parquet with units, cells and standings as CSV."""

from __future__ import annotations

import io
from array import array
from collections.abc import Iterable, Mapping, Sequence
from itertools import accumulate
from typing import TYPE_CHECKING, Any

from frametime.caveats import Caveat
from frametime.metrics.metric import Interval
from frametime.pipeline.csv_cells import csv_writer, escaped, looks_like_formula
from frametime.review.result import ReviewResult, RunEntry
from frametime.version import __version__

if TYPE_CHECKING:
    import pyarrow as pa

Row = dict[str, object]


def cells_csv(result: ReviewResult, *, escape_formulas: bool = False) -> bytes:
    """The table of `cell_rows`."""
    return csv_bytes(cell_rows(result), escape_formulas=escape_formulas)


def standings_csv(result: ReviewResult, *, escape_formulas: bool = False) -> bytes:
    """The table of `standing_rows`."""
    return csv_bytes(standing_rows(result), escape_formulas=escape_formulas)


def formula_count(result: ReviewResult) -> int:
    """Cells of both tables that a spreadsheet would take for formulas."""
    cells = (cell for row in (*cell_rows(result), *standing_rows(result)) for cell in row.values())
    return sum(isinstance(cell, str) and looks_like_formula(cell) for cell in cells)


def cell_rows(result: ReviewResult) -> list[Row]:
    """One row for each metric, card and cell: mean over runs, and the comparison with the baseline."""
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
                    "verdict": None if found is None else found.verdict,
                    "real_but_small": None if found is None else found.real_but_small,
                    "p_value": None if found is None else found.p_value,
                    "holm_p_value": None if found is None else found.holm_p_value,
                    "stands_after_holm": None if found is None else found.stands_after_holm,
                    "runs_needed": None if found is None else found.runs_needed,
                    "at_margin": None if found is None else found.at_margin,
                    "caveats": _codes((*cell.caveats, *estimate.caveats) if found is None else found.caveats),
                }
            )
    return rows


def standing_rows(result: ReviewResult) -> list[Row]:
    """One row for each cut, metric and card."""
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
                "verdict": None if pair is None else pair.verdict,
                "verdict_scenes_like_these": None if pair is None else pair.verdict_scenes_like_these,
                "cells_ahead": None if pair is None else pair.counts.ahead,
                "cells_behind": None if pair is None else pair.counts.behind,
                "cells_tied": None if pair is None else pair.counts.tied,
                "cells_undecided": None if pair is None else pair.counts.undecided,
                "cells_missing": None if pair is None else result.cells_of(item.cut).n_planned - item.n_cells,
                "price": None if money is None else money.price,
                "currency": None if money is None else money.currency,
                "fps_per_money": None if money is None else money.fps_per_money,
                "value_ratio": None if money is None else money.value_ratio,
                **_bounds("value_ratio", None if money is None else money.value_ratio_interval),
                "break_even_price": None if money is None else money.break_even_price,
                **_bounds("break_even_price", None if money is None else money.break_even_interval),
                "caveats": _codes(item.caveats if pair is None else pair.caveats),
            }
        )
    return rows


def csv_bytes(rows: Sequence[Row], *, escape_formulas: bool = False) -> bytes:
    """Rows as CSV in UTF-8, full precision, an empty cell where there is no value.

    Parameters
    ----------
    rows : sequence of mappings
        All with the same keys in the same order.
    escape_formulas : bool
        Write an apostrophe before text that a spreadsheet would take for a formula.
    """
    text = io.StringIO(newline="")
    if rows:
        writer = csv_writer(text)
        writer.writerow(rows[0])
        writer.writerows([_csv_cell(value, escape_formulas) for value in row.values()] for row in rows)
    return text.getvalue().encode("utf-8", "backslashreplace")


def _csv_cell(value: object, escape_formulas: bool) -> object:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str) and escape_formulas:
        return escaped(value)
    return "" if value is None else value


def runs_table(result: ReviewResult) -> pa.Table:
    """One row a run: where it belongs, where it came from, what is wrong with it, and every metric with its unit."""
    import pyarrow as pa

    texts: dict[str, list[str | None]] = {
        "run_name": [run.name for run in result.runs],
        "card": [run.card for run in result.runs],
        "scene": [run.scene for run in result.runs],
        "resolution": [run.resolution for run in result.runs],
        "run": [run.run for run in result.runs],
        "file": [run.provenance.file_name for run in result.runs],
        "sha256": [run.provenance.sha256 for run in result.runs],
        "judgement": [run.judgement for run in result.runs],
        "flag": [None if run.flag is None else run.flag.sentence for run in result.runs],
        "flag_grubbs": [None if run.flag is None else run.flag.grubbs.outcome for run in result.runs],
        "excluded_reason": [run.excluded_reason for run in result.runs],
        "caveats": [_codes(run.caveats) for run in result.runs],
    }
    fields: list[pa.Field[Any]] = [pa.field(name, pa.string()) for name in texts]
    columns: list[pa.Array[Any]] = [_text_array(values) for values in texts.values()]

    def add(name: str, values: Sequence[float | None], kind: pa.DataType, unit: str) -> None:
        fields.append(pa.field(name, kind, metadata={"unit": unit}))
        columns.append(_number_array(values, kind))

    add("n_frames", [run.n_frames for run in result.runs], pa.int64(), "1")
    add("duration_s", [run.duration_s for run in result.runs], pa.float64(), "s")
    for key, unit in metric_units(result.runs, result).items():
        add(key, [run.values.get(key) for run in result.runs], pa.float64(), unit)
    about: dict[bytes | str, bytes | str] = {
        "frametime": f'{{"schema": "frametime.runs/1", "version": "{__version__}"}}'
    }
    return pa.Table.from_arrays(columns, schema=pa.schema(fields, metadata=about))


# Arrow's own conversion from Python lists would import pandas wherever that is installed, which takes as long as a
# whole review of kept runs: the columns are put together from their buffers.


def _number_array(values: Sequence[float | None], kind: pa.DataType) -> pa.Array[Any]:
    import pyarrow as pa

    numbers = array("q" if pa.types.is_integer(kind) else "d", [value if value is not None else 0 for value in values])
    return pa.Array.from_buffers(kind, len(values), [_validity(values), pa.py_buffer(numbers.tobytes())])


def _text_array(values: Sequence[str | None]) -> pa.Array[Any]:
    import pyarrow as pa

    parts = [b"" if value is None else value.encode("utf-8", "backslashreplace") for value in values]
    offsets = array("i", [0, *accumulate(len(part) for part in parts)])
    buffers: list[pa.Buffer | None] = [
        _validity(values),
        pa.py_buffer(offsets.tobytes()),
        pa.py_buffer(b"".join(parts)),
    ]
    return pa.Array.from_buffers(pa.string(), len(values), buffers)


def _validity(values: Sequence[object]) -> pa.Buffer:
    """One bit a value, the lowest first, set where there is one."""
    import pyarrow as pa

    bits = bytearray((len(values) + 7) // 8)
    for at, value in enumerate(values):
        if value is not None:
            bits[at // 8] |= 1 << (at % 8)
    return pa.py_buffer(bytes(bits))


def metric_units(runs: Iterable[RunEntry], result: ReviewResult) -> Mapping[str, str]:
    """Units of every metric that a run has, from the catalog or the review."""
    from frametime.metrics.catalog import CATALOG

    known = {key: metric.unit for key, metric in CATALOG.items()} | {m.key: m.unit for m in result.metrics}
    keys = dict.fromkeys(key for run in runs for key in run.values)
    return {key: known.get(key, "1") for key in keys}


def _bounds(name: str, interval: Interval | None) -> Row:
    return {f"{name}_low_95pct": _end(interval, "low"), f"{name}_high_95pct": _end(interval, "high")}


def _end(interval: Interval | None, end: str) -> float | None:
    return None if interval is None else getattr(interval, end)


def _codes(caveats: Iterable[Caveat]) -> str:
    return " ".join(dict.fromkeys(caveat.code for caveat in caveats))
