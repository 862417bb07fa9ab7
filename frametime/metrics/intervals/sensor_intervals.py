"""Intervals of the sensor metrics: how much each step between two samples moves them.

A sensor has its own clock and far fewer samples than the run has frames, and each quantity its own memory.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.intervals.memory import independent_stretches, variation
from frametime.metrics.intervals.within_run import Influence, Outcome, one_sided, ratio, too_short
from frametime.metrics.metric import Missing
from frametime.metrics.sensors import sensor_values
from frametime.metrics.sensors.sensor_channels import Channel, channel
from frametime.units import NS_PER_S

if TYPE_CHECKING:
    from frametime.metrics.frame_series import FrameSeries

MIN_SAMPLES: Final = 100
"""Fewer samples give no interval: they do not tell their memory well enough (by simulation)."""

Make = Callable[["FrameSeries", Channel], Outcome]


def sensor_outcomes(series: FrameSeries, values: Mapping[str, float]) -> dict[str, Outcome]:
    """Power, energy, clocks and load, for those of the wanted metrics that the run has."""
    found: dict[str, Outcome] = {}
    for name, rows in _ROWS.items():
        wanted = {key: make for key, make in rows.items() if key in values}
        drawn = _channel(series, name) if wanted else Missing(reason="not asked for")
        found |= {key: drawn if isinstance(drawn, Missing) else make(series, drawn) for key, make in wanted.items()}
    return found


def _channel(series: FrameSeries, name: str) -> Channel | Missing:
    found = channel(series, name)
    if isinstance(found, Missing):
        return found
    if (n := found.values.size - 1) < MIN_SAMPLES:
        return Missing(reason=f"the run holds {n} steps between sensor samples; {MIN_SAMPLES} or more are needed")
    return too_short(independent_stretches(found.values)) or found


def _integral(found: Channel) -> NDArray[np.float64]:
    """Of the quantity over each step: energy in J of a power in W."""
    return 0.5 * (found.values[1:] + found.values[:-1]) * np.diff(found.times_s)


def _mean(_series: FrameSeries, found: Channel) -> Outcome:
    """Time-weighted."""
    return ratio(_integral(found), np.diff(found.times_s))


def _frames_per_joule(series: FrameSeries, found: Channel) -> Outcome:
    """Frames over energy; frames at the end of a step count in part. Its inverse moves by as much."""
    energy_j = _integral(found)
    total_j = float(energy_j.sum())
    if not total_j > 2.0 * variation(energy_j).sd:
        return Missing(reason="the power logged is about zero: another run as long may have no energy above zero")
    stamps_ns = series.timestamps_ns
    elapsed_s = (stamps_ns - stamps_ns[0]) / NS_PER_S
    return ratio(np.diff(np.interp(found.times_s, elapsed_s, np.arange(elapsed_s.size))), energy_j)


def _share(found: Channel, parts: NDArray[np.float64]) -> Outcome:
    steps_s = np.diff(found.times_s)
    return one_sided(parts > 0.5) or ratio(parts * steps_s, steps_s, scale="share")


def _at_power_limit(series: FrameSeries, found: Channel) -> Outcome:
    limit_w = series.options.power_limit_w
    if limit_w is None:
        return Missing(reason="no power limit given")
    return _share(found, found.pieces_from((1.0 - sensor_values.POWER_SLACK_FRACTION) * limit_w))


def _spread(_series: FrameSeries, found: Channel) -> Outcome:
    """Standard deviation of the values at the ends of the steps: but for the first, the samples themselves."""
    outcome = ratio((found.values[1:] - found.values[1:].mean()) ** 2, power=0.5)
    return outcome._replace(lost=0.5) if isinstance(outcome, Influence) else outcome


_ROWS: Final[Mapping[str, Mapping[str, Make]]] = {
    sensor_values.POWER: {
        "average_power_w": _mean,
        "energy_per_frame_j": _frames_per_joule,
        "frames_per_joule": _frames_per_joule,
        "time_at_power_limit_fraction": _at_power_limit,
    },
    sensor_values.CORE_CLOCK: {"average_core_clock_mhz": _mean, "core_clock_sd_mhz": _spread},
    "memory_clock_mhz": {"average_memory_clock_mhz": _mean},
    sensor_values.UTILIZATION: {
        "utilization_under_90pct_fraction": lambda _series, found: _share(
            found, found.pieces_below(sensor_values.BUSY_PCT)
        )
    },
}
