"""Throttling: the core clock falls while temperature or power stands at its limit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.block_medians import median
from frametime.metrics.findings import Throttling
from frametime.metrics.frame_series import FrameSeries, once_a_series
from frametime.metrics.metric import Missing
from frametime.metrics.sensors.sensor_channels import Channel, channel, outside_reason, samples_of
from frametime.metrics.sensors.sensor_values import CORE_CLOCK, POWER_SLACK_FRACTION, TEMPERATURE, power_channel

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
    power_slack_fraction: float = POWER_SLACK_FRACTION
    depth_fraction: float = 0.01
    high_clock_quantile: float = 0.95
    least_s: float = 1.0
    join_s: float = 2.0


Cause = Literal["temperature", "power"]


RULE: Final = ThrottlingRule()


@once_a_series
def throttling_of(series: FrameSeries) -> tuple[Throttling, ...]:
    """Stretches in which the clock was down while temperature or power stood at its limit.

    A stretch reaches from the first sample that shows it to the sample after which it is over; the last sample of all
    stands for one usual step. Where both limits are reached, the temperature is named. Without a limit, or samples in
    the capture, the answer is empty: ``throttling_reason`` says why.

    Examples
    --------
    >>> from frametime.metrics.options import MeasureOptions
    >>> throttling_of(FrameSeries(np.array([0, 10_000_000]), options=MeasureOptions()))
    ()
    """
    watch = _watched(series)
    if isinstance(watch, Missing):
        return ()
    high_mhz = float(np.quantile(watch.clock_mhz, RULE.high_clock_quantile))
    down = watch.clock_mhz < (1.0 - RULE.depth_fraction) * high_mhz
    found = []
    for first, last in _stretches(watch.times_s, down & (watch.hot | watch.drawing), join_s=RULE.join_s):
        start_s, end_s = float(watch.times_s[first]), float(watch.ends_s[last])
        if end_s - start_s < RULE.least_s:
            continue
        cause: Cause = "temperature" if watch.hot[first : last + 1].any() else "power"
        depth_mhz = high_mhz - float(watch.clock_mhz[first : last + 1].min())
        found.append(Throttling(start_s=start_s, end_s=end_s, depth_mhz=depth_mhz, cause=cause))
    return tuple(found)


def throttling_reason(series: FrameSeries) -> str | None:
    """Why throttling cannot be looked for; ``None`` when it can."""
    watch = _watched(series)
    return watch.reason if isinstance(watch, Missing) else None


def throttling_count(series: FrameSeries) -> float | Missing:
    """Number of stretches of throttling."""
    reason = throttling_reason(series)
    return float(len(throttling_of(series))) if reason is None else Missing(reason=reason)


def throttling_time_fraction(series: FrameSeries) -> float | Missing:
    """Share of the watched time spent throttling: of the clock samples at which it could have been seen."""
    watch = _watched(series)
    if isinstance(watch, Missing):
        return watch
    # Two stretches joined over a short hole may hold a little time that was not watched.
    return min(sum(item.end_s - item.start_s for item in throttling_of(series)) / watch.watched_s, 1.0)


def throttled_words(found: Sequence[Throttling], fraction: float) -> str:
    """How much of the time the clock was down, how far at most, and at which limit.

    Examples
    --------
    >>> throttled_words([Throttling(start_s=3.0, end_s=30.0, depth_mhz=180.0, cause="temperature")], 0.27)
    '27 % of the time, the clock down by up to 180 MHz at the temperature limit'
    """
    causes = " and ".join(sorted({item.cause for item in found}, reverse=True))
    share = f"{100.0 * fraction:.2g}" if fraction < 0.1 else f"{100.0 * fraction:.0f}"
    deepest_mhz = max(item.depth_mhz for item in found)
    return f"{share} % of the time, the clock down by up to {deepest_mhz:.0f} MHz at the {causes} limit"


class _Watch(NamedTuple):
    """The clock samples in the capture, each until the next, and what stood at its limit there."""

    times_s: NDArray[np.float64]
    ends_s: NDArray[np.float64]
    clock_mhz: NDArray[np.float64]
    hot: NDArray[np.bool_]
    drawing: NDArray[np.bool_]
    known: NDArray[np.bool_]

    @property
    def watched_s(self) -> float:
        """Time in which the clock is known, and at least one of what a limit was given for."""
        return float(np.sum((self.ends_s - self.times_s)[self.known]))


@once_a_series
def _watched(series: FrameSeries) -> _Watch | Missing:
    clock = samples_of(series, CORE_CLOCK)
    if isinstance(clock, Missing):
        return clock
    options = series.options
    if options.temperature_limit_c is None and options.power_limit_w is None:
        return Missing(reason=NO_LIMIT)
    times_s, clock_mhz = clock
    end_s = series.duration_s
    inside = (times_s >= 0.0) & (times_s <= end_s)
    if np.count_nonzero(inside) < 2:
        outside = outside_reason(CORE_CLOCK, times_s, end_s)
        return Missing(reason=outside or "fewer than two core clock samples lie in the capture")
    ends_s = np.minimum(np.append(times_s[1:], times_s[-1] + median(np.diff(times_s))), end_s)[inside]
    times_s, clock_mhz = times_s[inside], clock_mhz[inside]
    hot, drawing, reasons = _standings(series, times_s)
    known = hot.known | drawing.known
    if np.count_nonzero(known) < 2:
        told = "; ".join(reasons)
        return Missing(reason=told or "fewer than two core clock samples lie where the quantity of the limit is known")
    return _Watch(times_s, ends_s, clock_mhz, hot.reached, drawing.reached, known)


class _Standing(NamedTuple):
    """At each clock sample: whether a quantity stands at its limit, and whether that is known."""

    reached: NDArray[np.bool_]
    known: NDArray[np.bool_]


def _standings(series: FrameSeries, times_s: NDArray[np.float64]) -> tuple[_Standing, _Standing, list[str]]:
    """Of temperature and of power, and why one whose limit was given is not known."""
    options = series.options
    hot_from_c = drawing_from_w = math.inf
    temperature: Channel | Missing = Missing(reason="")
    power: Channel | Missing = temperature
    if options.temperature_limit_c is not None:
        temperature = channel(series, TEMPERATURE)
        hot_from_c = options.temperature_limit_c - RULE.temperature_slack_c
    if options.power_limit_w is not None:
        power = power_channel(series)
        drawing_from_w = options.power_limit_w * (1.0 - RULE.power_slack_fraction)
    reasons = [found.reason for found in (temperature, power) if isinstance(found, Missing) and found.reason]
    return _standing(temperature, times_s, hot_from_c), _standing(power, times_s, drawing_from_w), reasons


def _standing(found: Channel | Missing, times_s: NDArray[np.float64], limit: float) -> _Standing:
    """The last value holds for one usual step beyond the samples: nothing is known farther away."""
    if isinstance(found, Missing):
        never = np.zeros(times_s.size, dtype=np.bool_)
        return _Standing(never, never)
    known = (times_s >= found.times_s[0] - found.step_s) & (times_s <= found.times_s[-1] + found.step_s)
    return _Standing(known & (np.interp(times_s, found.times_s, found.values) >= limit), known)


def _stretches(times_s: NDArray[np.float64], marked: NDArray[np.bool_], *, join_s: float) -> list[tuple[int, int]]:
    """First and last index of each run of marked samples, runs closer than ``join_s`` put together."""
    places = np.flatnonzero(marked)
    if places.size == 0:
        return []
    apart = (np.diff(places) > 1) & (np.diff(times_s[places]) > join_s)
    firsts = places[np.concatenate(([True], apart))]
    lasts = places[np.concatenate((apart, [True]))]
    return list(zip(firsts.tolist(), lasts.tolist(), strict=True))
