"""Catalog rows that need nothing but frame times, up to and including alternation."""

from __future__ import annotations

from frametime.metrics.catalog_level import level_rows, low_rows
from frametime.metrics.catalog_pacing import pacing_rows
from frametime.metrics.catalog_stutter import class_rows, stutter_rows
from frametime.metrics.metric import Metric
from frametime.metrics.options import MeasureOptions


def frame_metrics(options: MeasureOptions) -> tuple[Metric, ...]:
    """Rows in the order in which they are shown.

    Examples
    --------
    >>> [row.key for row in frame_metrics(MeasureOptions())][:2]
    ['average_fps', 'median_frame_time_ms']
    """
    return (
        *level_rows(options),
        *(row for pct in options.slowest_pcts for row in low_rows(pct, options)),
        *stutter_rows(options.stutter),
        *class_rows(),
        *pacing_rows(),
    )
