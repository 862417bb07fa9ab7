"""Frames that were rendered and never shown: how many, how many in a row, and what is left without them."""

from __future__ import annotations

from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.catalog.catalog_frames import frame_metrics
from frametime.metrics.display.display import appearances
from frametime.metrics.findings import DroppedFrames
from frametime.metrics.frame_series import FrameSeries, once_a_series, shown_frames
from frametime.metrics.metric import Missing

SHOWN_GROUPS = ("level", "lows", "tail", "stutter")
"""Groups of the catalog that are also measured on the shown frames alone."""


def longest_run(flags: NDArray[np.bool_]) -> int:
    """Length of the longest run of true values.

    Examples
    --------
    >>> longest_run(np.array([True, False, True, True]))
    2
    """
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    return int(np.max(edges[1::2] - edges[::2], initial=0))


def shown_series(series: FrameSeries) -> FrameSeries | None:
    """The steps between frames that were shown, as a series of its own; ``None`` with fewer than two steps.

    From the display times where they are logged (equal or falling ones left out), else from the ends of the shown
    frames and the start of the first.
    """
    shown_ns, _, from_display_times = appearances(series)
    if not from_display_times:
        shown_ns = np.concatenate((np.zeros(1, dtype=np.int64), shown_ns))
    rising = np.concatenate(([True], np.diff(np.maximum.accumulate(shown_ns)) > 0))
    shown_ns = shown_ns[rising]
    return FrameSeries(shown_ns, options=series.options) if shown_ns.size >= 3 else None


@once_a_series
def dropped_of(series: FrameSeries) -> DroppedFrames | None:
    """Frames never shown; ``None`` where the log does not tell which were.

    ``shown_values`` holds the metrics of the catalog about level, lows, tail and stutter on the shown frames alone, to
    stand beside those on all rendered frames; it is empty when nothing was dropped, since the two are then the same.
    """
    shown = shown_frames(series)
    if shown is None:
        return None
    dropped = ~shown
    count = int(np.count_nonzero(dropped))
    values: dict[str, float] = {}
    only_shown = shown_series(series) if count else None
    if only_shown is not None:
        for metric in frame_metrics(series.options):
            value = metric.compute(only_shown) if metric.group in SHOWN_GROUPS else Missing(reason="another group")
            if not isinstance(value, Missing):
                values[metric.key] = value
    return DroppedFrames(
        count=count,
        fraction=count / series.n_frames,
        longest_run=longest_run(dropped),
        shown_average_fps=int(np.count_nonzero(shown)) / series.duration_s,
        shown_values=MappingProxyType(values),
    )
