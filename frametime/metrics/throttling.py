"""Throttling: the core clock falls while temperature or power stands at its limit."""

from __future__ import annotations

from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.findings import Throttling
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import Missing
from frametime.metrics.sensor_channels import samples_of

NO_LIMIT: Final = "neither a temperature limit nor a power limit was given"


class ThrottlingRule(NamedTuple):
    """When a falling clock is called throttling. Every default is common practice, no source.

    Attributes
    ----------
    temperature_slack_c : float
        The temperature stands at its limit from this much below it.
    power_slack_fraction : float
        The power stands at its limit from this share of it below.
    depth_fraction : float
        The clock has fallen when it is this share below the run's own high clock.
    high_clock_quantile : float
        The run's own high clock is this quantile of the clock samples.
    least_s : float
        Shorter falls are left out.
    join_s : float
        Two falls that lie no farther apart are one.
    """

    temperature_slack_c: float = 1.0
    power_slack_fraction: float = 0.02
    depth_fraction: float = 0.01
    high_clock_quantile: float = 0.95
    least_s: float = 1.0
    join_s: float = 2.0


Cause = Literal["temperature", "power"]


def find_throttling(series: FrameSeries, *, rule: ThrottlingRule | None = None) -> tuple[Throttling, ...]:
    """Stretches in which the clock was down while temperature or power stood at its limit.

    A stretch reaches from the first sample that shows it to the sample after which it is over. Where both limits
    are reached, the temperature is named. Without a limit, a clock or a sensor log the answer is empty:
    ``throttling_reason`` says why.

    Examples
    --------
    >>> from frametime.metrics.options import MeasureOptions
    >>> find_throttling(FrameSeries(np.array([0, 10_000_000]), options=MeasureOptions()))
    ()
    """
    rule = ThrottlingRule() if rule is None else rule
    clock = samples_of(series, "core_clock_mhz")
    if isinstance(clock, Missing) or throttling_reason(series) is not None:
        return ()
    times_s, clock_mhz = clock
    inside = (times_s >= 0.0) & (times_s <= series.duration_s)
    times_s, clock_mhz = times_s[inside], clock_mhz[inside]
    if times_s.size < 2:
        return ()
    high_mhz = float(np.quantile(clock_mhz, rule.high_clock_quantile))
    down = clock_mhz < (1.0 - rule.depth_fraction) * high_mhz
    hot, drawing = _at_limits(series, times_s, rule)
    found = []
    for first, last in _stretches(times_s, down & (hot | drawing), join_s=rule.join_s):
        start_s = float(times_s[first])
        end_s = float(times_s[last + 1]) if last + 1 < times_s.size else series.duration_s
        if end_s - start_s < rule.least_s:
            continue
        cause: Cause = "temperature" if hot[first : last + 1].any() else "power"
        depth_mhz = high_mhz - float(clock_mhz[first : last + 1].min())
        found.append(Throttling(start_s=start_s, end_s=end_s, depth_mhz=depth_mhz, cause=cause))
    return tuple(found)


def throttling_reason(series: FrameSeries) -> str | None:
    """Why throttling cannot be looked for; ``None`` when it can."""
    clock = samples_of(series, "core_clock_mhz")
    if isinstance(clock, Missing):
        return clock.reason
    options = series.options
    if options.temperature_limit_c is None and options.power_limit_w is None:
        return NO_LIMIT
    temperature = samples_of(series, "temperature_c")
    power = samples_of(series, "power_w")
    hot_known = options.temperature_limit_c is not None and not isinstance(temperature, Missing)
    power_known = options.power_limit_w is not None and not isinstance(power, Missing)
    if not (hot_known or power_known):
        return "the sensor log has no samples of the quantity whose limit was given"
    return None


def throttling_count(series: FrameSeries) -> float | Missing:
    """Number of stretches of throttling."""
    reason = throttling_reason(series)
    return float(len(find_throttling(series))) if reason is None else Missing(reason=reason)


def throttling_time_fraction(series: FrameSeries) -> float | Missing:
    """Share of the capture spent throttling."""
    reason = throttling_reason(series)
    if reason is not None:
        return Missing(reason=reason)
    return sum(item.end_s - item.start_s for item in find_throttling(series)) / series.duration_s


def _at_limits(
    series: FrameSeries, times_s: NDArray[np.float64], rule: ThrottlingRule
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """At each clock sample: whether the temperature, and whether the power, stands at its limit."""
    options = series.options
    never = np.zeros(times_s.size, dtype=np.bool_)
    hot, drawing = never, never
    temperature = samples_of(series, "temperature_c")
    if options.temperature_limit_c is not None and not isinstance(temperature, Missing):
        hot = np.interp(times_s, *temperature) >= options.temperature_limit_c - rule.temperature_slack_c
    power = samples_of(series, "power_w")
    if options.power_limit_w is not None and not isinstance(power, Missing):
        drawing = np.interp(times_s, *power) >= options.power_limit_w * (1.0 - rule.power_slack_fraction)
    return hot, drawing


def _stretches(times_s: NDArray[np.float64], marked: NDArray[np.bool_], *, join_s: float) -> list[tuple[int, int]]:
    """First and last index of each run of marked samples, runs closer than ``join_s`` put together."""
    places = np.flatnonzero(marked)
    if places.size == 0:
        return []
    apart = (np.diff(places) > 1) & (np.diff(times_s[places]) > join_s)
    firsts = places[np.concatenate(([True], apart))]
    lasts = places[np.concatenate((apart, [True]))]
    return list(zip(firsts.tolist(), lasts.tolist(), strict=True))
