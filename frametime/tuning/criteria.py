"""One thing looked at in an endurance run, and the thresholds; and what the sensors say of it.

A limit counts as kept only where the samples of the sensors cover the run.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.sensors.sensor_log import LONG_GAP_S, LONG_GAP_STEPS
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import MeasuredRun, Missing
from frametime.metrics.sensors.sensor_values import QUANTITY_WORDS, Channel, channel
from frametime.words import counted

CriterionState = Literal["passed", "failed", "not measurable"]


@dataclass(frozen=True, kw_only=True)
class EnduranceRules:
    """Thresholds of the verdict.

    Length, freezes and the temperature limit are common practice, no source; the others are choices of this program,
    each a parameter.

    Attributes
    ----------
    min_minutes, max_minutes : float
        How long an endurance run lasts.
    max_freezes : int
        Frames over 500 ms.
    max_hitches_per_10min : float
        Frames over 250 ms, freezes left out.
    max_drift_pct : float
        Growth of the frame time over the whole run, by a slope or by a step to a longer level.
    min_seen_fraction : float
        Share of the run that sensor samples must cover before nothing seen counts as passed.
    """

    min_minutes: float = 30.0
    max_minutes: float = 60.0
    max_freezes: int = 0
    max_hitches_per_10min: float = 1.0
    max_drift_pct: float = 3.0
    min_seen_fraction: float = 0.95


@dataclass(frozen=True, kw_only=True)
class Criterion:
    """One thing looked at: its number (``None`` where it cannot be measured), the threshold, and a sentence."""

    key: str
    label: str
    state: CriterionState = "not measurable"
    value: float | None = None
    unit: str
    threshold: str
    sentence: str = ""

    @classmethod
    def of(cls, key: str, unit: str, threshold: str) -> Criterion:
        """One thing to look at, not answered yet."""
        return cls(key=key, label=key, unit=unit, threshold=threshold)

    def judged(self, value: float, sentence: str, *, passed: bool) -> Criterion:
        """The criterion with its number, passed or failed."""
        return replace(self, state="passed" if passed else "failed", value=value, sentence=sentence)

    def unmeasured(self, reason: str) -> Criterion:
        """The criterion without a number, and why."""
        return replace(self, sentence=reason)


def value_of(run: MeasuredRun, key: str) -> tuple[float | None, str]:
    """A metric of the run, and why it has no value; the reason is empty where it has one."""
    found = run.values.get(key)
    if found is None:
        return None, f"{key} was not measured"
    return found.value, found.reason or ""


LONGEST_UNSEEN_S: Final = 10.0
"""Samples farther apart leave the time between them unseen, however evenly they come: a clock falls and rises again
within seconds (common practice, no source)."""


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

    A hole between two samples that is called a gap elsewhere (over 5 usual steps and over 2 s), or is longer than
    ``LONGEST_UNSEEN_S``, is not covered, and neither is what lies before the first sample or after the last.

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
    longest_s = min(max(LONG_GAP_STEPS * item.step_s, LONG_GAP_S), LONGEST_UNSEEN_S)
    is_close = np.concatenate(([False], np.diff(item.times_s) <= longest_s, [False]))
    return np.asarray(is_close[np.searchsorted(item.times_s, times_s)], dtype=np.bool_)


def temperature_criterion(run: MeasuredRun, cover: SensorCover, rules: EnduranceRules) -> Criterion:
    """Whether the peak stayed within the limit; a limit that was passed anywhere is failed."""
    limit_c = run.options.temperature_limit_c
    asked = Criterion.of(
        "temperature", "Cel", "the temperature limit" if limit_c is None else f"at most {limit_c:g} °C"
    )
    peak_c, reason = value_of(run, "peak_temperature_c")
    if peak_c is None or limit_c is None:
        return asked.unmeasured(reason or f"the peak was {peak_c:g} °C, and no temperature limit was given")
    sentence = f"the peak was {peak_c:g} °C"
    if peak_c <= limit_c and cover.fraction < rules.min_seen_fraction:
        return asked.unmeasured(f"{sentence} where it was seen: {cover}")
    return asked.judged(peak_c, sentence, passed=peak_c <= limit_c)


def throttling_criterion(run: MeasuredRun, cover: SensorCover, rules: EnduranceRules) -> Criterion:
    """Whether the clock fell at the temperature limit; ``cover`` is of temperature and core clock together."""
    asked = Criterion.of("throttling", "{count}", "no fall of the clock at the temperature limit")
    count, reason = value_of(run, "throttling_count")
    if count is not None and run.options.temperature_limit_c is None:
        reason = "no temperature limit was given"
    elif count is not None:
        _, reason = value_of(run, "peak_temperature_c")
    if count is None or reason:
        return asked.unmeasured(reason)
    hot = [item for item in run.findings.throttling if item.cause == "temperature"]
    sentence = f"the clock fell {counted(len(hot), 'time')} at the temperature limit"
    if hot:
        length_s = sum(item.end_s - item.start_s for item in hot)
        deepest_mhz = max(item.depth_mhz for item in hot)
        sentence += (
            f", for {length_s:.0f} s together and by up to {deepest_mhz:.0f} MHz, first after {hot[0].start_s:.0f} s"
        )
    if n_at_power_limit := len(run.findings.throttling) - len(hot):
        sentence += f"; {counted(n_at_power_limit, 'time')} at the power limit, which is how a power limit works"
    if not hot and cover.fraction < rules.min_seen_fraction:
        return asked.unmeasured(f"{sentence} where both were seen: {cover}")
    return asked.judged(float(len(hot)), sentence, passed=not hot)


def power_criterion(run: MeasuredRun, cover: SensorCover, rules: EnduranceRules) -> Criterion:
    """How long the power stood at its limit, which is no fault."""
    asked = Criterion.of("power", "1", "reported only: a card may stand at its power limit")
    fraction, reason = value_of(run, "time_at_power_limit_fraction")
    if fraction is None:
        return asked.unmeasured(reason)
    sentence = f"power stood at its limit for {100.0 * fraction:.0f} % of the time"
    if cover.fraction < rules.min_seen_fraction:
        return asked.unmeasured(f"{sentence} in which it was seen: {cover}")
    return asked.judged(fraction, sentence, passed=True)
