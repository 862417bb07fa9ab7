"""The catalog: one row for each metric. Adding a metric is a pure function and a row."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from types import MappingProxyType
from typing import Final

from frametime.metrics.catalog.catalog_frames import frame_metrics
from frametime.metrics.catalog.catalog_regularity import regularity_metrics
from frametime.metrics.catalog.catalog_sensors import sensor_metrics
from frametime.metrics.metric import Metric
from frametime.metrics.options import MeasureOptions


@lru_cache(maxsize=16)
def catalog_for(options: MeasureOptions) -> Mapping[str, Metric]:
    """Every metric under these options, by key, in the order in which they are shown.

    The shares of the lows stand in the keys, the quantile type and the stutter rule in the definitions.

    Raises
    ------
    ValueError
        If two rows have the same key.

    Examples
    --------
    >>> keys = list(catalog_for(MeasureOptions(slowest_pcts=(5.0,))))
    >>> keys[0], [key for key in keys if key.startswith("low_")][0]
    ('average_fps', 'low_5pct_percentile_fps')
    """
    rows = (*frame_metrics(options), *regularity_metrics(options), *sensor_metrics(options))
    by_key = {row.key: row for row in rows}
    if len(by_key) != len(rows):
        keys = [row.key for row in rows]
        twice = sorted({key for key in keys if keys.count(key) > 1})
        raise ValueError(f"metric keys must be unique, got twice: {twice!r}")
    return MappingProxyType(by_key)


CATALOG: Final[Mapping[str, Metric]] = catalog_for(MeasureOptions())
"""The metrics under the default options."""
