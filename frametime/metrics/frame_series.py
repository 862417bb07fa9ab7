"""One capture, prepared for the metrics: what several of them share is made once, when first asked for.

The findings are cached here too, so that a metric that needs one (``series.drift.slope_pct_per_min``) and the list of
findings read the same value. The modules that make them are imported on first use: a run without sensors or without a
known refresh never pays for them.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property, partial
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from frametime.capture import TIME_COLUMN, Capture, SensorTrace
from frametime.metrics import pacing
from frametime.metrics.frame_times import frame_times_ms
from frametime.metrics.options import MeasureOptions
from frametime.units import NS_PER_S

if TYPE_CHECKING:
    import pyarrow as pa

    from frametime.metrics.findings import (
        Drift,
        DroppedFrames,
        FixedRefreshFit,
        MotionSteps,
        Rhythm,
        Segment,
        Throttling,
        VariableRefreshFit,
    )
    from frametime.metrics.stutter import Stutters


MANY_FRAMES: Final = 1_000_000
"""From so many frames on some of the work is done in a second thread; below, starting it costs more than it saves."""


def numpy_column(table: pa.Table, name: str) -> NDArray[np.generic]:
    """A column without nulls as one array.

    Chunks go through the DLPack protocol: ``to_numpy`` of pyarrow imports pandas wherever it is installed, which
    costs a quick check more than its own work.
    """
    chunks = [np.from_dlpack(chunk) for chunk in table.column(name).chunks if len(chunk)]
    return chunks[0] if len(chunks) == 1 else np.concatenate(chunks)


class FrameSeries:
    """The arrays of one capture.

    Parameters
    ----------
    timestamps_ns : ndarray of int64, shape (n_frames + 1,)
        Strictly rising.
    options : MeasureOptions
    capture : Capture or None
        Where the other columns and the sensors come from; ``None`` for a bare series.
    """

    def __init__(
        self, timestamps_ns: NDArray[np.int64], *, options: MeasureOptions, capture: Capture | None = None
    ) -> None:
        self.timestamps_ns = timestamps_ns
        self.options = options
        self.capture = capture
        self.frame_times_ms: NDArray[np.float64] = frame_times_ms(timestamps_ns)
        self._begun_jitter: Callable[[], pacing.Jitter] | None = None
        if self.n_frames >= MANY_FRAMES:
            from frametime.metrics.ahead import begun

            # A third of the time of all metrics of a long run, and nothing else needs its steps.
            self._begun_jitter = begun(partial(pacing.jitter, self.frame_times_ms))

    @classmethod
    def of(cls, capture: Capture, options: MeasureOptions) -> FrameSeries:
        """The series of a capture."""
        timestamps_ns = np.asarray(numpy_column(capture.frames, TIME_COLUMN), dtype=np.int64)
        return cls(timestamps_ns, options=options, capture=capture)

    @property
    def n_frames(self) -> int:
        """Number of frame times."""
        return int(self.frame_times_ms.size)

    @property
    def duration_s(self) -> float:
        """From the start of the first frame to the end of the last, in s."""
        return float(int(self.timestamps_ns[-1]) - int(self.timestamps_ns[0])) / NS_PER_S

    @cached_property
    def sorted_ms(self) -> NDArray[np.float64]:
        """Frame times in rising order, shape (n_frames,): one sort serves every quantile."""
        return np.sort(self.frame_times_ms)

    @cached_property
    def ends_s(self) -> NDArray[np.float64]:
        """End of each frame in seconds since the start of the first, shape (n_frames,)."""
        return np.asarray((self.timestamps_ns[1:] - self.timestamps_ns[0]) / NS_PER_S, dtype=np.float64)

    @property
    def sensors(self) -> SensorTrace | None:
        """Sensor samples on the capture's clock, where there are any."""
        return None if self.capture is None else self.capture.sensors

    @cached_property
    def variance_ms2(self) -> float:
        """Sample variance of the frame times; two frames or more."""
        return pacing.variance_ms2(self.frame_times_ms)

    @cached_property
    def jitter(self) -> pacing.Jitter:
        """Last and median value of the running jitter; two frames or more."""
        return pacing.jitter(self.frame_times_ms) if self._begun_jitter is None else self._begun_jitter()

    @cached_property
    def stutters(self) -> Stutters:
        """Every stutter, as arrays."""
        from frametime.metrics.stutter import find_stutters

        return find_stutters(self.timestamps_ns, self.frame_times_ms, rule=self.options.stutter)

    @cached_property
    def rhythm(self) -> Rhythm:
        """Alternation, recurring hitches, strongest lines."""
        from frametime.metrics.rhythm import find_rhythm

        return find_rhythm(self)

    @cached_property
    def drift(self) -> Drift:
        """Slow change over the run, with change points and warm-up."""
        from frametime.metrics.drift import find_drift

        return find_drift(self)

    @cached_property
    def segments(self) -> tuple[Segment, ...]:
        """Stretches of play, still parts and pauses."""
        from frametime.metrics.segments import find_segments

        return find_segments(self)

    @cached_property
    def fixed_refresh(self) -> FixedRefreshFit | None:
        """How frames fall on the refreshes; ``None`` unless a fixed refresh was given."""
        refresh = self.options.refresh
        if refresh is None or not refresh.is_fixed:
            return None
        from frametime.metrics.display import fit_fixed_refresh

        return fit_fixed_refresh(self, refresh)

    @cached_property
    def variable_refresh(self) -> VariableRefreshFit | None:
        """How frames fall into the window of the display; ``None`` unless a variable refresh was given."""
        refresh = self.options.refresh
        if refresh is None or refresh.is_fixed:
            return None
        from frametime.metrics.display import fit_variable_refresh

        return fit_variable_refresh(self, refresh)

    def _has_column(self, *names: str) -> bool:
        """Whether the log has one of these columns: most have none, and what works on them is not imported then."""
        return self.capture is not None and any(name in self.capture.frames.column_names for name in names)

    @cached_property
    def motion(self) -> MotionSteps | None:
        """Shown against simulated steps; ``None`` where the two times are not logged."""
        if not self._has_column("simulation_start_ns"):
            return None
        from frametime.metrics.motion import motion_steps

        return motion_steps(self)

    @cached_property
    def dropped(self) -> DroppedFrames | None:
        """Frames never shown; ``None`` where that is not logged."""
        if not self._has_column("shown", "displayed_ns"):
            return None
        from frametime.metrics.dropped import dropped_frames

        return dropped_frames(self)

    @cached_property
    def throttling(self) -> tuple[Throttling, ...]:
        """Stretches in which the clock fell at a limit; empty without sensors."""
        if self.sensors is None:
            return ()
        from frametime.metrics.throttling import find_throttling

        return find_throttling(self)
