"""What the sensors say of an endurance run: a limit counts as kept only where the samples cover the run."""

from __future__ import annotations

from collections.abc import Sequence

from frametime.metrics.findings import Throttling
from frametime.metrics.metric import MeasuredRun
from frametime.tuning.criterion import Criterion, EnduranceRules, judged, unmeasured, value_of
from frametime.tuning.sensor_cover import SensorCover
from frametime.words import counted


def temperature_criterion(run: MeasuredRun, cover: SensorCover, rules: EnduranceRules) -> Criterion:
    """Whether the peak stayed within the limit; a limit that was passed anywhere is failed."""
    limit_c = run.options.temperature_limit_c
    threshold = "the temperature limit" if limit_c is None else f"at most {limit_c:g} °C"
    peak_c, reason = value_of(run, "peak_temperature_c")
    if peak_c is None or limit_c is None:
        reason = reason or f"the peak was {peak_c:g} °C, and no temperature limit was given"
        return unmeasured("temperature", "Cel", threshold, reason)
    sentence = f"the peak was {peak_c:g} °C"
    if peak_c <= limit_c and cover.fraction < rules.min_seen_fraction:
        reason = f"{sentence} where it was seen: {cover}"
        return unmeasured("temperature", "Cel", threshold, reason)
    return judged(
        "temperature",
        passed=peak_c <= limit_c,
        value=peak_c,
        unit="Cel",
        threshold=threshold,
        sentence=sentence,
    )


def throttling_criterion(run: MeasuredRun, cover: SensorCover, rules: EnduranceRules) -> Criterion:
    """Whether the clock fell at the temperature limit; ``cover`` is of temperature and core clock together."""
    threshold = "no fall of the clock at the temperature limit"
    count, reason = value_of(run, "throttling_count")
    if count is None:
        return unmeasured("throttling", "{count}", threshold, reason)
    if run.options.temperature_limit_c is None:
        return unmeasured("throttling", "{count}", threshold, "no temperature limit was given")
    peak_c, reason = value_of(run, "peak_temperature_c")
    if peak_c is None:
        return unmeasured("throttling", "{count}", threshold, reason)
    hot = [item for item in run.findings.throttling if item.cause == "temperature"]
    sentence = _throttling_words(hot, n_at_power_limit=len(run.findings.throttling) - len(hot))
    if not hot and cover.fraction < rules.min_seen_fraction:
        return unmeasured("throttling", "{count}", threshold, f"{sentence} where both were seen: {cover}")
    return judged(
        "throttling", passed=not hot, value=float(len(hot)), unit="{count}", threshold=threshold, sentence=sentence
    )


def _throttling_words(hot: Sequence[Throttling], *, n_at_power_limit: int) -> str:
    sentence = f"the clock fell {counted(len(hot), 'time')} at the temperature limit"
    if hot:
        length_s = sum(item.end_s - item.start_s for item in hot)
        deepest_mhz = max(item.depth_mhz for item in hot)
        sentence += (
            f", for {length_s:.0f} s together and by up to {deepest_mhz:.0f} MHz, first after {hot[0].start_s:.0f} s"
        )
    if n_at_power_limit:
        sentence += f"; {counted(n_at_power_limit, 'time')} at the power limit, which is how a power limit works"
    return sentence


def power_criterion(run: MeasuredRun, cover: SensorCover, rules: EnduranceRules) -> Criterion:
    """How long the power stood at its limit, which is no fault."""
    threshold = "reported only: a card may stand at its power limit"
    fraction, reason = value_of(run, "time_at_power_limit_fraction")
    if fraction is None:
        return unmeasured("power", "1", threshold, reason)
    sentence = f"power stood at its limit for {100.0 * fraction:.0f} % of the time"
    if cover.fraction < rules.min_seen_fraction:
        return unmeasured("power", "1", threshold, f"{sentence} in which it was seen: {cover}")
    return judged("power", passed=True, value=fraction, unit="1", threshold=threshold, sentence=sentence)
