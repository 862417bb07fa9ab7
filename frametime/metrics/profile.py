"""The smoothness of a run in six words, from its numbers and its findings, with the thresholds between the words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, NamedTuple

from frametime.metrics.metric import PRACTICE, Findings, MetricValue, ProfileItem

_FLOOR: Final = (
    "that the slowest 5 % predict quality: Liu et al., The Effects of Frame Rate Variation on Game Player Quality of "
    "Experience, abstract; the ratios: common practice, no source"
)
_VARIATION: Final = (
    "Klein et al., IEEE CoG 2024: variation of 12 ms clearly lowers perceived smoothness, 4 ms much less"
)


class ProfileRule(NamedTuple):
    """The thresholds between the words of the profile; the source of each stands with the item.

    Attributes
    ----------
    high_fps, low_fps : float
        Average rate from which the level is high, below which it is low.
    narrow_ratio, wide_ratio : float
        95th percentile over median of the frame times up to which the tail is narrow, beyond which it is very wide.
    rare_per_min, constant_per_min : float
        Stutters per minute up to which they are rare, from which they are constant.
    alternating_fraction : float
        Share of alternating frames from which a run is said to alternate.
    small_judder_ms, large_judder_ms : float
        Judder up to which a fixed display shows an even picture, beyond which a very uneven one.
    uneven_per_min : float
        Uneven steps per minute up to which a fixed display shows an even picture: two refreshes missed are four.
    inside_fraction : float
        Share of the time inside the window from which a variable refresh follows the frames.
    """

    high_fps: float = 60.0
    low_fps: float = 30.0
    narrow_ratio: float = 1.5
    wide_ratio: float = 2.5
    rare_per_min: float = 2.0
    constant_per_min: float = 60.0
    alternating_fraction: float = 0.01
    small_judder_ms: float = 4.0
    large_judder_ms: float = 12.0
    uneven_per_min: float = 4.0
    inside_fraction: float = 0.99


DEFAULT_RULE: Final = ProfileRule()
_NONE: Final = "n/a"


def smoothness_profile(
    values: Mapping[str, MetricValue], findings: Findings, rule: ProfileRule = DEFAULT_RULE
) -> tuple[ProfileItem, ...]:
    """Level, tail, stutter, rhythm, drift and display, in this order; display only where a refresh was given.

    Parameters
    ----------
    values : Mapping of str to MetricValue
        Of the run. An item whose metric is not among them has no number and the word ``n/a``.
    findings : Findings
        Of the run.
    rule : ProfileRule
    """
    of_values = _level(values, rule), _tail(values, rule), _stutter(values, rule)
    items = (*of_values, _rhythm(values, findings, rule), _drift(findings), _display(findings, rule))
    return tuple(item for item in items if item is not None)


def _value(values: Mapping[str, MetricValue], key: str) -> float | None:
    return values[key].value if key in values else None


def _level(values: Mapping[str, MetricValue], rule: ProfileRule) -> ProfileItem:
    fps = _value(values, "average_fps")
    word = _NONE if fps is None else "high" if fps >= rule.high_fps else "medium" if fps >= rule.low_fps else "low"
    threshold = f"high from {rule.high_fps:g} fps, low below {rule.low_fps:g} fps"
    return ProfileItem("level", "average_fps", fps, word, threshold, PRACTICE)


def _tail(values: Mapping[str, MetricValue], rule: ProfileRule) -> ProfileItem:
    slow_ms, median_ms = _value(values, "p95_frame_time_ms"), _value(values, "median_frame_time_ms")
    word = _NONE
    if slow_ms is not None and median_ms is not None:
        ratio = slow_ms / median_ms
        word = "narrow" if ratio <= rule.narrow_ratio else "wide" if ratio <= rule.wide_ratio else "very wide"
    threshold = f"narrow up to {rule.narrow_ratio:g} x the median, very wide over {rule.wide_ratio:g} x"
    return ProfileItem("tail", "p95_frame_time_ms", slow_ms, word, threshold, _FLOOR)


def _stutter(values: Mapping[str, MetricValue], rule: ProfileRule) -> ProfileItem:
    per_min = _value(values, "stutter_per_min")
    if not per_min:
        word = _NONE if per_min is None else "none"
    else:
        word = "rare" if per_min <= rule.rare_per_min else "frequent" if per_min < rule.constant_per_min else "constant"
        if any(caveat.code == "stutters-of-level" for caveat in values["stutter_per_min"].caveats):
            word = "fewer stand out"
    threshold = f"rare up to {rule.rare_per_min:g} per minute, constant from {rule.constant_per_min:g}"
    return ProfileItem("stutter", "stutter_per_min", per_min, word, threshold, PRACTICE)


def _rhythm(values: Mapping[str, MetricValue], findings: Findings, rule: ProfileRule) -> ProfileItem:
    rhythm, period = findings.rhythm, findings.rhythm and findings.rhythm.hitch_period
    key, value, word, source = "alternating_fraction", None, _NONE, PRACTICE
    threshold = f"alternating from {100.0 * rule.alternating_fraction:g} % of frames; recurring at p < 0.01"
    if rhythm is not None:
        value = rhythm.alternating_fraction
        words = ["alternating"] * (value >= rule.alternating_fraction) + ["recurring hitches"] * (period is not None)
        word = " and ".join(words)
        if period is not None and len(words) == 1:
            key, value = "hitch_period_s", period.period_s
        elif not words and rhythm.unlooked_reason is not None:
            word, threshold = "not looked at", rhythm.unlooked_reason
        elif not words:
            key, value, source = "pacing_masd_ms", _value(values, "pacing_masd_ms"), _VARIATION
            step_ms, small, large = _usual_step_ms(values), rule.small_judder_ms, rule.large_judder_ms
            word = "even" if step_ms <= small else "uneven" if step_ms <= large else "very uneven"
            threshold = f"uneven over {small:g} ms from frame to frame, very uneven over {large:g} ms"
    return ProfileItem("rhythm", key, value, word, threshold, source)


def _usual_step_ms(values: Mapping[str, MetricValue]) -> float:
    """Mean step from frame to frame, less those into stutters and out of them: each is what the stutter lost."""
    keys = "pacing_masd_ms", "average_fps", "stutter_time_fraction"
    step_ms, fps, lost = (_value(values, key) or 0.0 for key in keys)
    return step_ms - (2000.0 * lost / fps if fps else 0.0)


def _drift(findings: Findings) -> ProfileItem:
    drift = findings.drift
    value = None if drift is None else drift.slope_pct_per_min
    if drift is None or value is None:
        word = _NONE
    elif any(change.kind == "level" for change in drift.changes):
        word = "changes level"
    elif drift.is_drift:
        word = "gets slower" if value > 0.0 else "gets faster"
    elif drift.wander_pct is not None:
        word = "wanders"
    elif not drift.is_steady:
        word = "not shown"
    else:
        word = "steady" if drift.warm_up is None else "steady after warm-up"
    threshold = "told at p < 0.002 and from 1 % over the run; a step of level from 2 %; steady where 5 % is excluded"
    return ProfileItem("drift", "drift_pct_per_min", value, word, threshold, PRACTICE)


def _display(findings: Findings, rule: ProfileRule) -> ProfileItem | None:
    fixed, variable = findings.fixed_refresh, findings.variable_refresh
    if fixed is not None:
        judder_ms, small, large = fixed.judder_rms_ms, rule.small_judder_ms, rule.large_judder_ms
        is_even = judder_ms <= small and (fixed.uneven_per_min or 0.0) <= rule.uneven_per_min
        word = "even" if is_even else "uneven" if judder_ms <= large else "very uneven"
        threshold = f"even to {small:g} ms, {rule.uneven_per_min:g} uneven steps/min; very uneven over {large:g} ms"
        return ProfileItem("display", "judder_rms_ms", judder_ms, word, threshold, _VARIATION)
    if variable is not None:
        inside = variable.inside_time_fraction
        is_below = variable.below_time_fraction >= variable.above_time_fraction
        word = "partly below the window" if is_below else "partly above the window"
        if inside >= rule.inside_fraction:
            word = "inside the window"
        threshold = f"inside from {100.0 * rule.inside_fraction:g} % of the time"
        return ProfileItem("display", "refresh_inside_time_fraction", inside, word, threshold, PRACTICE)
    return None
