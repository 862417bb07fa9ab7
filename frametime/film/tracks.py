"""What a clip shows of a capture at a moment of the footage: never more than the capture held by then."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from frametime.capture import Capture
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.level import average_fps, percentile_low_fps
from frametime.metrics.metric import Missing
from frametime.metrics.options import MeasureOptions
from frametime.metrics.sensors.sensor_values import samples_of
from frametime.metrics.stutter import stutters_of

RATE_WINDOW_S: Final = 1.0
"""The rate is that of the frames that ended in the last second."""

LOW_PCT: Final = 1.0
_LEAST_TAIL_FRAMES: Final = 10


@dataclass(frozen=True, kw_only=True)
class Track:
    """One capture beside the footage.

    Attributes
    ----------
    label : str
    color : str
        ``#rrggbb``.
    start_s : float
        Moment of the footage at which the capture begins.
    ends_s, times_ms : ndarray of float64, shape (n_frames,)
        End of each frame in s since the start of the first, and how long it took.
    stutters : ndarray of int64, shape (k,)
        Positions of the frames that count as stutters.
    samples : dict of str to (times_s, values)
        Sensor samples by quantity.
    """

    label: str
    color: str
    start_s: float
    ends_s: NDArray[np.float64]
    times_ms: NDArray[np.float64]
    stutters: NDArray[np.int64]
    samples: dict[str, tuple[NDArray[np.float64], NDArray[np.float64]]] = field(default_factory=dict)

    @property
    def end_s(self) -> float:
        """Moment of the footage at which the capture ends."""
        return self.start_s + float(self.ends_s[-1])

    def n_ended(self, moment_s: float) -> int:
        """How many frames have ended by a moment of the footage.

        Examples
        --------
        >>> track = Track(label="", color="#000000", start_s=2.0, ends_s=np.array([0.01, 0.02]),
        ...               times_ms=np.array([10.0, 10.0]), stutters=np.array([], dtype=np.int64))
        >>> track.n_ended(1.0), track.n_ended(2.015), track.n_ended(9.0)
        (0, 1, 2)
        """
        return int(np.searchsorted(self.ends_s, moment_s - self.start_s + 1e-9, side="right"))

    def rate_fps(self, moment_s: float) -> float | None:
        """Average rate of the frames that ended in the last second; ``None`` in the first second and after the end."""
        now_s = moment_s - self.start_s
        if not RATE_WINDOW_S <= now_s <= float(self.ends_s[-1]) + 1e-9:
            return None
        last = self.n_ended(moment_s)
        first = self.n_ended(moment_s - RATE_WINDOW_S)
        return average_fps(last - first, float(self.times_ms[first:last].sum()) / 1000.0) if last > first else None

    def low_fps(self, moment_s: float) -> float | None:
        """The 1 % low (percentile) of all frames so far; ``None`` while fewer than 10 frames are in its tail."""
        n = self.n_ended(moment_s)
        if n * LOW_PCT < 100.0 * _LEAST_TAIL_FRAMES:
            return None
        return percentile_low_fps(np.sort(self.times_ms[:n]), slowest_pct=LOW_PCT)

    def sample(self, quantity: str, moment_s: float) -> float | None:
        """The newest sample of a quantity; ``None`` where there is none yet."""
        if quantity not in self.samples:
            return None
        times_s, values = self.samples[quantity]
        at = int(np.searchsorted(times_s, moment_s - self.start_s + 1e-9, side="right")) - 1
        return float(values[at]) if at >= 0 else None


def track_of(capture: Capture, *, label: str, color: str, start_s: float) -> Track:
    """The track of a capture, with stutters by the usual rule and sensor samples where it has some."""
    series = FrameSeries.of(capture, MeasureOptions())
    found = {quantity: samples_of(series, quantity) for quantity in ("power_w", "temperature_c")}
    return Track(
        label=label,
        color=color,
        start_s=start_s,
        ends_s=series.ends_s,
        times_ms=series.frame_times_ms,
        stutters=stutters_of(series).positions,
        samples={quantity: one for quantity, one in found.items() if not isinstance(one, Missing)},
    )


def top_ms(tracks: list[Track]) -> float:
    """Upper end of the scale for all tracks: round, and above all but the longest frames."""
    usual = max(float(np.quantile(track.times_ms, 0.999)) for track in tracks)
    wanted = max(1.3 * usual, 2.2 * max(float(np.median(track.times_ms)) for track in tracks))
    step = 10.0 ** math.floor(math.log10(wanted))
    return next(size * step for size in (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0) if size * step >= wanted)
