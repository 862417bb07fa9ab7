"""How much of a long run its sensor samples cover: what they do not cover has not been seen."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.sensor_log import LONG_GAP_S, LONG_GAP_STEPS
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import Missing
from frametime.metrics.sensor_channels import QUANTITY_WORDS, Channel, channel


class SensorCover(NamedTuple):
    """The part of a run in which every one of some quantities was sampled, in s, and the length of the run."""

    quantities: tuple[str, ...]
    seen_s: float
    duration_s: float

    @property
    def fraction(self) -> float:
        """Share of the run, 0 to 1."""
        return self.seen_s / self.duration_s

    def __str__(self) -> str:
        words = " and ".join(QUANTITY_WORDS[name] for name in self.quantities)
        share_pct = 100.0 * self.fraction
        return f"the {words} samples cover {self.seen_s:.0f} s of {self.duration_s:.0f} s ({share_pct:.1f} %)"


def sensor_cover(series: FrameSeries, *quantities: str) -> SensorCover:
    """The part of a run in which all of the quantities were sampled.

    A hole between two samples that is called a gap elsewhere (over 5 usual steps and over 2 s) is not covered, and
    neither is what lies before the first sample or after the last.

    Parameters
    ----------
    series : FrameSeries
    *quantities : str
        Columns of the sensor log.

    Examples
    --------
    >>> from frametime.metrics.options import MeasureOptions
    >>> bare = FrameSeries(np.array([0, 10_000_000_000]), options=MeasureOptions())
    >>> str(sensor_cover(bare, "temperature_c"))
    'the temperature samples cover 0 s of 10 s (0.0 %)'
    """
    found = [channel(series, name) for name in quantities]
    channels = [item for item in found if not isinstance(item, Missing)]
    if len(channels) < len(found):
        return SensorCover(quantities, 0.0, series.duration_s)
    edges_s = np.unique(np.concatenate([item.times_s for item in channels]))
    middles_s = 0.5 * (edges_s[1:] + edges_s[:-1])
    seen = np.logical_and.reduce([_seen_at(item, middles_s) for item in channels])
    return SensorCover(quantities, float(np.sum(np.diff(edges_s)[seen])), series.duration_s)


def _seen_at(item: Channel, times_s: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether each time lies between two samples that are no gap apart, shape of ``times_s``."""
    longest_s = max(LONG_GAP_STEPS * item.step_s, LONG_GAP_S)
    is_close = np.concatenate(([False], np.diff(item.times_s) <= longest_s, [False]))
    return np.asarray(is_close[np.searchsorted(item.times_s, times_s)], dtype=np.bool_)
