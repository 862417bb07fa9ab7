"""Power and energy of a run: what was drawn, and what a frame cost."""

from __future__ import annotations

import numpy as np

from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import Missing
from frametime.metrics.sensor_channels import Channel, channel
from frametime.units import NS_PER_S

POWER = "power_w"


def frames_in(series: FrameSeries, power: Channel) -> float:
    """Frames drawn in the part of the capture that the samples cover; a frame at an edge counts in part."""
    timestamps_s = (series.timestamps_ns - series.timestamps_ns[0]) / NS_PER_S
    drawn = np.interp(power.times_s[[0, -1]], timestamps_s, np.arange(timestamps_s.size))
    return float(drawn[1] - drawn[0])


def average_power_w(series: FrameSeries) -> float | Missing:
    """Energy over the covered part of the capture divided by its length, in W."""
    power = channel(series, POWER)
    return power if isinstance(power, Missing) else power.mean


def peak_power_w(series: FrameSeries) -> float | Missing:
    """Greatest sample of power inside the capture, in W. Peaks between two samples are not seen."""
    power = channel(series, POWER)
    return power if isinstance(power, Missing) else float(power.sample_values.max())


def energy_per_frame_j(series: FrameSeries) -> float | Missing:
    """Energy over the covered part of the capture divided by the frames drawn in it, in J per frame."""
    power = channel(series, POWER)
    return power if isinstance(power, Missing) else power.integral / frames_in(series, power)


def frames_per_joule(series: FrameSeries) -> float | Missing:
    """Frames drawn for each joule; the same as frames per second for each watt."""
    energy_j = energy_per_frame_j(series)
    if isinstance(energy_j, Missing):
        return energy_j
    if not energy_j > 0.0:
        return Missing(reason="the power logged is not above zero")
    return 1.0 / energy_j


AT_POWER_LIMIT = 0.98
"""From this share of its limit on, power stands at the limit (common practice, no source)."""


def time_at_power_limit_fraction(series: FrameSeries) -> float | Missing:
    """Share of the covered time with the power within 2 % of the limit that was given, or above it."""
    limit_w = series.options.power_limit_w
    power = channel(series, POWER)
    if isinstance(power, Missing):
        return power
    if limit_w is None:
        return Missing(reason="no power limit given")
    return power.fraction_above(AT_POWER_LIMIT * limit_w)
