r"""From per-frame logs to a card verdict that can be published.

A name is imported when it is first used, so that ``import frametime`` costs nothing and a command pays only for what it
runs.

Examples
--------
A log of 600 frames of 10 ms and one of 90 ms, as a file or a binary stream:

>>> import io
>>> import frametime
>>> log = io.BytesIO(b"frame_time_ms\n" + b"10.0\n" * 600 + b"90.0\n")
>>> run = frametime.measure(frametime.read_capture(log))
>>> round(run.values["average_fps"].value, 2), run.values["hitch_over_50ms_count"].value
(98.69, 1.0)

What a number means is in the catalog, what must be known about it in its caveats:

>>> frametime.CATALOG["low_1pct_mean_fps"].definition
'Rate over the slowest 1 % of frames: their count divided by the time they took.'
>>> [caveat.code for caveat in run.values["low_1pct_mean_fps"].caveats]
['low-few-frames']

Every definition is a parameter with a default:

>>> options = frametime.MeasureOptions(slowest_pcts=(5.0,), stutter=frametime.StutterRule(ratio=1.5))
>>> [key for key in frametime.catalog_for(options) if key.startswith("low_")]
['low_5pct_percentile_fps', 'low_5pct_mean_fps', 'low_5pct_time_fps']
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from frametime.adapters.base import ReadOptions
    from frametime.adapters.reading import read_capture
    from frametime.capture import Capture, Conditions, Provenance, SensorTrace
    from frametime.caveats import Caveat, Weight
    from frametime.errors import FrametimeError, ReadError
    from frametime.metrics.catalog import CATALOG, catalog_for
    from frametime.metrics.measure import measure
    from frametime.metrics.metric import Curve, Findings, Judgement, MeasuredRun, Metric, MetricValue, Missing
    from frametime.metrics.options import MeasureOptions, QualityRule, Refresh, StutterRule
    from frametime.pipeline.batch import BatchOptions, batch_frame
    from frametime.pipeline.review_files import review_plan
    from frametime.pipeline.review_outputs import cells_frame, runs_frame, standings_frame
    from frametime.plans.path_pattern import PathPattern
    from frametime.plans.plan import read_plan
    from frametime.statistics.interval import Interval

__version__: Final = "0.2.0"
"""The same as in ``pyproject.toml`` (a test compares them)."""

_NAMES: Final = {
    "adapters.base": "ReadOptions",
    "adapters.reading": "read_capture",
    "capture": "Capture Conditions Provenance SensorTrace",
    "caveats": "Caveat Weight",
    "errors": "FrametimeError ReadError",
    "metrics.catalog": "CATALOG catalog_for",
    "metrics.measure": "measure",
    "metrics.metric": "Curve Findings Judgement MeasuredRun Metric MetricValue Missing",
    "metrics.options": "MeasureOptions QualityRule Refresh StutterRule",
    "pipeline.batch": "BatchOptions batch_frame",
    "pipeline.review_files": "review_plan",
    "pipeline.review_outputs": "cells_frame runs_frame standings_frame",
    "plans.path_pattern": "PathPattern",
    "plans.plan": "read_plan",
    "statistics.interval": "Interval",
}
_HOMES: Final = {name: home for home, names in _NAMES.items() for name in names.split()}

__all__ = [
    "CATALOG",
    "BatchOptions",
    "Capture",
    "Caveat",
    "Conditions",
    "Curve",
    "Findings",
    "FrametimeError",
    "Interval",
    "Judgement",
    "MeasureOptions",
    "MeasuredRun",
    "Metric",
    "MetricValue",
    "Missing",
    "PathPattern",
    "Provenance",
    "QualityRule",
    "ReadError",
    "ReadOptions",
    "Refresh",
    "SensorTrace",
    "StutterRule",
    "Weight",
    "__version__",
    "batch_frame",
    "catalog_for",
    "cells_frame",
    "measure",
    "read_capture",
    "read_plan",
    "review_plan",
    "runs_frame",
    "standings_frame",
]


def __getattr__(name: str) -> object:
    if (home := _HOMES.get(name)) is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    found: object = getattr(import_module(f"{__name__}.{home}"), name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *_HOMES})
