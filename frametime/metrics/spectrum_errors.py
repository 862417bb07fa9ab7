"""How sure the strongest line of the spectrum is: its frequency and its size."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from frametime.metrics.metric import Interval
from frametime.metrics.spectrum import DEFAULT_RULE, averaged_spectrum
from frametime.statistics.distributions import normal_quantile

if TYPE_CHECKING:
    from frametime.metrics.frame_series import FrameSeries

LEAST_SHOWN: Final = math.sin(math.pi / (2.0 * DEFAULT_RULE.oversampling)) / (
    math.pi / (2.0 * DEFAULT_RULE.oversampling)
)
"""Share of its size that a line shows in the worst case, half-way between two of the frequencies looked at."""


def line_intervals(series: FrameSeries) -> tuple[Interval, Interval] | None:
    """Intervals of the frequency (Hz) and of the size (ms) of the strongest line; ``None`` where there is no line.

    Errors of a sine fitted by least squares to noise of the power found around it (M. H. Montgomery and D. O'Donoghue,
    Delta Scuti Star Newsletter 13, 1999, 28-32, from memory): sqrt(6 / n) s / (pi T a) for the frequency and
    sqrt(2 / n) s for the size a, with standard deviation s over n frames in T seconds, less by the root of the number
    of stretches averaged. The frequency is widened by the distance to half-way between the frequencies looked at, the
    size at its upper end by what a line there would hide. Both hold for a rhythm that keeps its beat over a stretch.
    """
    if not series.rhythm.lines:
        return None
    line = series.rhythm.lines[0]
    spectrum = averaged_spectrum(series.frame_times_ms, series.ends_s)
    if spectrum is None:
        return None
    place = round(line.frequency_hz / spectrum.step_hz) - 1
    noise = float(spectrum.noise[place])
    level = series.options.level
    # Independent stretches: their errors average out.
    errors = normal_quantile(0.5 + 0.5 * level) * math.sqrt(noise / (spectrum.size * spectrum.n_segments))
    reach_hz = 0.5 * spectrum.step_hz + errors * math.sqrt(6.0) / (math.pi * spectrum.span_s * line.amplitude_ms)
    # The power at a line is that of the line and of the noise.
    own_ms = math.sqrt(max(line.amplitude_ms**2 - 4.0 * noise / spectrum.size, 0.0))
    method = "within run: least-squares errors of a sine in the noise around it, and half a step of the spectrum"
    frequency = Interval(
        low=line.frequency_hz - reach_hz, high=line.frequency_hz + reach_hz, level=level, method=method
    )
    size = Interval(
        low=max(own_ms - errors * math.sqrt(2.0), 0.0),
        high=(line.amplitude_ms + errors * math.sqrt(2.0)) / LEAST_SHOWN,
        level=level,
        method=method,
    )
    return frequency, size
