"""What the sensors tell of a run beside numbers: throttling, a doubt about their clock, and caveats.

Throttling: the core clock falls while temperature or power stands at its limit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.capture import SensorTrace
from frametime.caveats import Caveat, Weight
from frametime.metrics.block_medians import median
from frametime.metrics.frame_series import FrameSeries, numpy_column, once_a_series
from frametime.metrics.metric import Compute, Missing, Throttling, keys_with
from frametime.metrics.options import MeasureOptions
from frametime.metrics.sensors import sensor_values
from frametime.metrics.sensors.sensor_values import (
    CORE_CLOCK,
    POWER_SLACK_FRACTION,
    QUANTITY_WORDS,
    TEMPERATURE,
    Channel,
    channel,
    outside_reason,
    power_channel,
    samples_of,
)
from frametime.statistics.interval import Interval
from frametime.units import NS_PER_S
from frametime.words import joined, signed


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
    the capture, the answer is empty: ``throttling_count`` says why.

    Examples
    --------
    >>> from frametime.metrics.options import MeasureOptions
    >>> throttling_of(FrameSeries(np.array([0, 10_000_000]), options=MeasureOptions()))
    ()
    """
    if isinstance(watch := _watched(series), Missing):
        return ()
    high_mhz = float(np.quantile(watch.clock_mhz, RULE.high_clock_quantile))
    down = watch.clock_mhz < (1.0 - RULE.depth_fraction) * high_mhz
    hot = watch.reached["temperature"]
    found = []
    for first, last in _stretches(watch.times_s, down & (hot | watch.reached["power"]), join_s=RULE.join_s):
        start_s, end_s = float(watch.times_s[first]), float(watch.ends_s[last])
        if end_s - start_s < RULE.least_s:
            continue
        cause: Cause = "temperature" if hot[first : last + 1].any() else "power"
        depth_mhz = high_mhz - float(watch.clock_mhz[first : last + 1].min())
        found.append(Throttling(start_s=start_s, end_s=end_s, depth_mhz=depth_mhz, cause=cause))
    return tuple(found)


def throttling_count(series: FrameSeries) -> float | Missing:
    """Number of stretches of throttling."""
    watch = _watched(series)
    return watch if isinstance(watch, Missing) else float(len(throttling_of(series)))


def throttling_time_fraction(series: FrameSeries) -> float | Missing:
    """Share of the watched time spent throttling: of the clock samples at which it could have been seen."""
    if isinstance(watch := _watched(series), Missing):
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
    reached: Mapping[Cause, NDArray[np.bool_]]
    known: NDArray[np.bool_]

    @property
    def watched_s(self) -> float:
        """Time in which the clock is known, and at least one of what a limit was given for."""
        return float(np.sum((self.ends_s - self.times_s)[self.known]))


@once_a_series
def _watched(series: FrameSeries) -> _Watch | Missing:
    if isinstance(clock := samples_of(series, CORE_CLOCK), Missing):
        return clock
    limits = [*_limits(series.options)]
    if not limits:
        return Missing(reason="neither a temperature limit nor a power limit was given")
    times_s, clock_mhz = clock
    end_s = series.duration_s
    inside = (times_s >= 0.0) & (times_s <= end_s)
    if np.count_nonzero(inside) < 2:
        outside = outside_reason(CORE_CLOCK, times_s, end_s)
        return Missing(reason=outside or "fewer than two core clock samples lie in the capture")
    ends_s = np.minimum(np.append(times_s[1:], times_s[-1] + median(np.diff(times_s))), end_s)[inside]
    times_s, clock_mhz = times_s[inside], clock_mhz[inside]
    known, reasons = np.zeros(times_s.size, dtype=np.bool_), []
    reached: dict[Cause, NDArray[np.bool_]] = {"temperature": known, "power": known}
    for cause, limit, find in limits:
        found = find(series)
        if isinstance(found, Missing):
            reasons.append(found.reason)
            continue
        # The last value holds for one usual step beyond the samples: nothing is known farther away.
        near = (times_s >= found.times_s[0] - found.step_s) & (times_s <= found.times_s[-1] + found.step_s)
        reached[cause] = near & (np.interp(times_s, found.times_s, found.values) >= limit)
        known = known | near
    if np.count_nonzero(known) < 2:
        told = "; ".join(reasons)
        return Missing(reason=told or "fewer than two core clock samples lie where the quantity of the limit is known")
    return _Watch(times_s, ends_s, clock_mhz, reached, known)


def _limits(options: MeasureOptions) -> Iterator[tuple[Cause, float, Callable[[FrameSeries], Channel | Missing]]]:
    """From where on each quantity stands at its limit, for those whose limit was given, and how to find it."""
    if options.temperature_limit_c is not None:
        hot_from_c = options.temperature_limit_c - RULE.temperature_slack_c
        yield "temperature", hot_from_c, partial(channel, name=TEMPERATURE)
    if options.power_limit_w is not None:
        yield "power", options.power_limit_w * (1.0 - RULE.power_slack_fraction), power_channel


def _stretches(times_s: NDArray[np.float64], marked: NDArray[np.bool_], *, join_s: float) -> list[tuple[int, int]]:
    """First and last index of each run of marked samples, runs closer than ``join_s`` put together."""
    places = np.flatnonzero(marked)
    if places.size == 0:
        return []
    apart = (np.diff(places) > 1) & (np.diff(times_s[places]) > join_s)
    firsts = places[np.concatenate(([True], apart))]
    lasts = places[np.concatenate((apart, [True]))]
    return list(zip(firsts.tolist(), lasts.tolist(), strict=True))


_STEPS: Final = (-1.0, -0.5, 0.5, 1.0)
_DOUBTED: Final = frozenset(keys_with("clock_doubt", "yes"))


def range_in_doubt(series: FrameSeries, compute: Compute, value: float) -> tuple[float, float]:
    """Least and greatest value of a metric while the samples are off by no more than their clock may be."""
    moved = [found for each in _moved(series) if not isinstance(found := compute(each), Missing)]
    return min([value, *moved]), max([value, *moved])


def with_clock_doubt(
    series: FrameSeries,
    computes: Mapping[str, Compute],
    values: Mapping[str, float],
    intervals: Mapping[str, Interval | Missing],
) -> Mapping[str, Interval | Missing]:
    """The intervals, with those of sensor metrics as much wider as their clock may be off."""
    if series.sensors is None or series.sensors.clock_doubt_s <= 0.0:
        return intervals
    found = dict(intervals)
    for key in _DOUBTED & values.keys():
        interval = intervals.get(key)
        if isinstance(interval, Interval):
            low, high = range_in_doubt(series, computes[key], values[key])
            found[key] = replace(
                interval,
                low=interval.low - (values[key] - low),
                high=interval.high + (high - values[key]),
                method=f"{interval.method}; wider by clocks that may be {series.sensors.clock_doubt_s:.1f} s apart",
            )
    return found


@once_a_series
def _moved(series: FrameSeries) -> tuple[FrameSeries, ...]:
    """The series with its samples moved by parts of the doubt."""
    doubt_s = 0.0 if series.sensors is None else series.sensors.clock_doubt_s
    return tuple(
        FrameSeries(
            series.timestamps_ns,
            options=series.options,
            capture=series.capture,
            sensors_later_ns=round(step * doubt_s * NS_PER_S),
        )
        for step in _STEPS
        if doubt_s > 0.0
    )


COVERED_ENOUGH: Final = 0.95
"""Share of a capture that its sensor samples must cover (common practice, no source)."""

DOUBT_TOLD_FRACTION: Final = 0.01
"""A doubt of the clock that moves average power by more than this share is told (common practice, no source)."""

BUSY_CAVEAT_FRACTION: Final = 0.2
"""From this share of the time under 90 % busy, something else limits (common practice, no source)."""

_BY_QUANTITY: Final = {name: keys_with("rests_on", name) for name in QUANTITY_WORDS}
_THROTTLING: Final = ("throttling_count", "throttling_time_fraction")


def sensor_caveats(series: FrameSeries) -> tuple[Caveat, ...]:
    """What must be known about the sensors of this run: from their reader, coverage, gaps, and a card that waits."""
    if (trace := series.sensors) is None:
        return ()
    channels = {name: found for name in QUANTITY_WORDS if not isinstance(found := channel(series, name), Missing)}
    return (
        *trace.caveats,
        *_cover_caveats(channels, trace, series),
        *_negative_caveats(channels.get(sensor_values.POWER)),
        *_busy_caveats(series),
        *_clock_caveats(series),
    )


def _told(trace: SensorTrace, series: FrameSeries) -> tuple[float, float]:
    """Share covered and longest step that the reader has told of the log as a whole; 1 and 0 where it has not."""
    codes = {caveat.code for caveat in trace.caveats}
    if trace.samples.num_rows < 2 or not codes & {"sensors-cover-part", "sensor-gap"}:
        return 1.0, 0.0
    times_s = (np.asarray(numpy_column(trace.samples, "time_ns"), dtype=np.int64) - series.timestamps_ns[0]) / NS_PER_S
    within_s = np.clip(times_s, 0.0, series.duration_s)
    covered = float(within_s[-1] - within_s[0]) / series.duration_s
    # A hundredth less, or more, is the same part and the same hole, seen by another count of samples.
    return (
        covered - 0.01 if "sensors-cover-part" in codes else 1.0,
        1.01 * float(np.max(np.diff(within_s))) if "sensor-gap" in codes else 0.0,
    )


def _cover_caveats(channels: Mapping[str, Channel], trace: SensorTrace, series: FrameSeries) -> Iterator[Caveat]:
    """One for each part of the capture that some quantities cover, and for each gap: those that share it together.

    A quantity is told again only where it is worse than what the reader has told of the log as a whole.
    """
    covered_told, step_told_s = _told(trace, series)
    parts: dict[str, list[str]] = {}
    gaps: dict[str, list[str]] = {}
    for name, found in channels.items():
        if found.covered_fraction < min(covered_told, 0.9995):  # what lacks less reads as 100.0 %
            part = (
                f"{found.times_s[0]:.1f} to {found.times_s[-1]:.1f} s of {found.duration_s:.1f} s "
                f"({100.0 * found.covered_fraction:.1f} %)"
            )
            parts.setdefault(part, []).append(name)
        if found.longest_step_s > max(5.0 * found.step_s, 2.0, step_told_s):
            gap = f"for {found.longest_step_s:.1f} s (usual step {found.step_s:.2f} s)"
            gaps.setdefault(gap, []).append(name)
    for part, names in parts.items():
        listed = joined([QUANTITY_WORDS[name] for name in names])
        covered = min(channels[name].covered_fraction for name in names)
        message = f"The {listed} samples cover {part}; their numbers are of that part only."
        keys = _keys(names, series.options)
        weight = Weight.CARE if covered < COVERED_ENOUGH else Weight.NOTE
        yield Caveat(code="sensors-cover-part", message=message, weight=weight, metrics=keys)
    for gap, names in gaps.items():
        listed = joined([QUANTITY_WORDS[name] for name in names])
        message = f"There is no {listed} sample {gap}; values are taken to change evenly across that gap."
        keys = _keys(names, series.options)
        yield Caveat(code="sensor-gap", message=message, weight=Weight.CARE, metrics=keys)


def _keys(names: list[str], options: MeasureOptions) -> tuple[str, ...]:
    """Metrics that rest on these quantities; throttling on the clock and on what has a limit."""
    limited = {"temperature": TEMPERATURE, "power": sensor_values.POWER}
    watched = {CORE_CLOCK, *(limited[cause] for cause, _, _ in _limits(options))}
    keys = tuple(key for name in names for key in _BY_QUANTITY[name])
    return (*keys, *_THROTTLING) if watched.intersection(names) else keys


def _negative_caveats(power: Channel | None) -> Iterator[Caveat]:
    if power is None or not (power.sample_values < 0.0).any():
        return
    count, least_w = int(np.count_nonzero(power.sample_values < 0.0)), float(power.sample_values.min())
    message = (
        f"{count} of {power.sample_values.size} power samples are below zero, down to {signed(least_w, '.1f')} W, "
        "which no card can draw. They are used as they stand: power and energy are too low by them."
    )
    keys = _BY_QUANTITY[sensor_values.POWER]
    yield Caveat(code="sensor-negative-power", message=message, weight=Weight.CARE, metrics=keys)


def _clock_caveats(series: FrameSeries) -> Iterator[Caveat]:
    """What the average power may be while the clocks are as far apart as they may."""
    if isinstance(average_w := sensor_values.average_power_w(series), Missing):
        return
    low, high = range_in_doubt(series, sensor_values.average_power_w, average_w)
    if high - low <= DOUBT_TOLD_FRACTION * average_w or series.sensors is None:
        return
    doubt_s = series.sensors.clock_doubt_s
    message = f"The sensor clock may be off by {doubt_s:.1f} s: average power is {low:.1f} to {high:.1f} W."
    keys = _BY_QUANTITY[sensor_values.POWER]
    yield Caveat(code="sensor-clock-doubt", message=message, weight=Weight.CARE, metrics=keys)


def _busy_caveats(series: FrameSeries) -> Iterator[Caveat]:
    fraction = sensor_values.utilization_under_90pct_fraction(series)
    if isinstance(fraction, Missing) or fraction < BUSY_CAVEAT_FRACTION:
        return
    message = (
        f"The card was under {sensor_values.BUSY_PCT:g} % busy for {100.0 * fraction:.0f} % of the time: something "
        "else limits, and a comparison of cards here says less about the cards."
    )
    yield Caveat(code="card-not-the-limit", message=message, weight=Weight.CARE)


def throttling_caveats(series: FrameSeries) -> Iterator[Caveat]:
    """Throttling by temperature only: at its power limit a card runs as its maker means it to."""
    hot = [item for item in throttling_of(series) if item.cause == "temperature"]
    fraction = throttling_time_fraction(series)
    if not hot or isinstance(fraction, Missing):
        return
    message = f"The card throttled for {throttled_words(hot, fraction)}: it is slower than a cooler one."
    yield Caveat(code="throttled", message=message, weight=Weight.CARE, metrics=_THROTTLING)


_FOLLOWED: Final = {CORE_CLOCK: "MHz", "memory_clock_mhz": "MHz", sensor_values.UTILIZATION: "%"}
_FOLLOWED_SHARE: Final = 0.5
_LATE_S: Final = 1.5
"""A clock goes with the frame times where it changes by this share of what they do, the other way; samples come as late
as this, give or take as much (common practice, no source)."""


def clocks_with(
    series: FrameSeries, before_s: tuple[float, float], after_s: tuple[float, float], *, ratio: float
) -> str:
    """What goes with a change of the frame times by ``ratio`` between two parts of a run, to end its sentence with.

    The medians of the samples in either part are told, not that one is why the other is.
    """
    told = []
    for name, unit in _FOLLOWED.items():
        if isinstance(found := samples_of(series, name), Missing):
            continue
        times_s, values = found
        sides = [values[(times_s >= low + _LATE_S) & (times_s < high + _LATE_S)] for low, high in (before_s, after_s)]
        before, after = (median(side) if side.size else 0.0 for side in sides)
        if min(before, after) > 0.0 and np.log(before / after) / np.log(ratio) >= _FOLLOWED_SHARE:
            told.append(f"the {QUANTITY_WORDS[name]} goes from {before:.0f} to {after:.0f} {unit}")
    return f"; {joined(told)}" if told else ""
