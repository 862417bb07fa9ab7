"""The verdict of a long run: does the setting hold?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

from frametime.capture import Capture
from frametime.metrics.drift.drift import change_over_run_pct
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import MeasuredRun
from frametime.metrics.sensors.sensor_values import CORE_CLOCK, POWER, TEMPERATURE
from frametime.tuning.cautions import CAUTIONS
from frametime.tuning.criteria import (
    Criterion,
    EnduranceRules,
    power_criterion,
    sensor_cover,
    temperature_criterion,
    throttling_criterion,
    value_of,
)
from frametime.words import counted

VerdictWord = Literal["holds", "does not hold", "not shown"]


_WORST_FIRST: Final = ("failed", "not measurable", "passed")

NUMBERED: Final = ("length", "temperature")
"""Criteria that the record judges by its own numbers: least length, and the limit of the temperature."""


@dataclass(frozen=True, kw_only=True)
class EnduranceVerdict:
    """Whether a setting held for a long run, criterion by criterion.

    ``word`` is *does not hold* when any criterion failed (length aside), *not shown* when the run was too short, else
    *holds*; ``not_known`` names what could not be measured.
    """

    file_name: str
    minutes: float
    word: VerdictWord
    sentence: str
    criteria: tuple[Criterion, ...]
    not_known: tuple[str, ...]
    cautions: tuple[str, ...]

    @property
    def against(self) -> tuple[str, ...]:
        """What the log holds against a run that was seen to pass."""
        failed = (item for item in self.criteria if item.state == "failed" and item.key not in NUMBERED)
        return tuple(f"{item.label}: {item.sentence}" for item in failed)


def judge_endurance(capture: Capture, run: MeasuredRun, rules: EnduranceRules | None = None) -> EnduranceVerdict:
    """Judge one long run.

    Parameters
    ----------
    capture : Capture
        For the part of the run that its sensor samples cover.
    run : MeasuredRun
        The capture, measured with the limits of the card in its options, and its sensors where there are any.
    rules : EnduranceRules, optional
    """
    rules = EnduranceRules() if rules is None else rules
    minutes = run.duration_s / 60.0
    series = FrameSeries.of(capture, run.options)
    criteria: tuple[Criterion, ...] = (
        _length(minutes, rules),
        _freezes(run, rules),
        _hitches(run, minutes, rules),
        _drift(run, series, minutes, rules),
        temperature_criterion(run, sensor_cover(series, TEMPERATURE), rules),
        throttling_criterion(run, sensor_cover(series, TEMPERATURE, CORE_CLOCK), rules),
        power_criterion(run, sensor_cover(series, POWER), rules),
    )
    return _verdict(run.provenance.file_name, minutes, criteria, rules)


def judge_in_turn(verdicts: Sequence[EnduranceVerdict], rules: EnduranceRules | None = None) -> EnduranceVerdict:
    """Several runs in turn as one endurance run: their lengths add up, and what failed in one has failed.

    Parameters
    ----------
    verdicts : sequence of EnduranceVerdict
        Of each run, in their order.
    rules : EnduranceRules, optional
    """
    if len(verdicts) == 1:
        return verdicts[0]
    rules = EnduranceRules() if rules is None else rules
    minutes = sum(verdict.minutes for verdict in verdicts)
    criteria = [_length(minutes, rules)]
    for items in zip(*(verdict.criteria[1:] for verdict in verdicts), strict=True):
        worst = min(items, key=lambda item: _WORST_FIRST.index(item.state))
        file_name = verdicts[items.index(worst)].file_name
        told = worst.sentence if worst.state == "passed" else f"{file_name}: {worst.sentence}"
        criteria.append(replace(worst, sentence=told))
    names = ", ".join(verdict.file_name for verdict in verdicts)
    return _verdict(names, minutes, tuple(criteria), rules)


def _verdict(
    file_name: str, minutes: float, criteria: tuple[Criterion, ...], rules: EnduranceRules
) -> EnduranceVerdict:
    failed = [item for item in criteria if item.state == "failed"]
    faults = ", ".join(item.label for item in failed if item.key != "length")
    word: VerdictWord = "holds"
    sentence = f"The setting held for {minutes:.1f} minutes by everything that could be measured."
    if faults:
        word, sentence = "does not hold", f"The setting does not hold: {faults}."
    elif failed:
        word, least = "not shown", f"{rules.min_minutes:g} are needed to show that it holds"
        sentence = f"Nothing went wrong in {minutes:.1f} minutes, but {least}."
    return EnduranceVerdict(
        file_name=file_name,
        minutes=minutes,
        word=word,
        sentence=sentence,
        criteria=criteria,
        not_known=tuple(
            f"{item.label} ({item.threshold}): {item.sentence}" for item in criteria if item.state == "not measurable"
        ),
        cautions=CAUTIONS,
    )


def _length(minutes: float, rules: EnduranceRules) -> Criterion:
    asked = Criterion.of("length", "min", f"{rules.min_minutes:g} to {rules.max_minutes:g} min")
    return asked.judged(minutes, f"the run lasted {minutes:.1f} minutes", passed=minutes >= rules.min_minutes)


def _freezes(run: MeasuredRun, rules: EnduranceRules) -> Criterion:
    most = f"at most {counted(rules.max_freezes, 'frame')}" if rules.max_freezes else "no frame"
    asked = Criterion.of("freezes", "{count}", f"{most} over 500 ms")
    count, reason = value_of(run, "freeze_over_500ms_count")
    if count is None:
        return asked.unmeasured(reason)
    longest_ms, _ = value_of(run, "max_frame_time_ms")
    longest = "" if longest_ms is None else f"; the longest frame took {longest_ms:.0f} ms"
    sentence = f"{counted(round(count), 'frame')} over 500 ms{longest}"
    return asked.judged(count, sentence, passed=count <= rules.max_freezes)


def _hitches(run: MeasuredRun, minutes: float, rules: EnduranceRules) -> Criterion:
    most = counted(rules.max_hitches_per_10min, "frame")
    asked = Criterion.of("hitches", "{count}", f"at most {most} over 250 ms in 10 min")
    hitches, reason = value_of(run, "hitch_over_250ms_count")
    freezes, _ = value_of(run, "freeze_over_500ms_count")
    if hitches is None:
        return asked.unmeasured(reason)
    count = hitches - (freezes or 0.0)
    # A short run is given one hitch, like a run of ten minutes.
    allowed = rules.max_hitches_per_10min * max(1.0, minutes / 10.0)
    sentence = f"{counted(round(count), 'frame')} over 250 ms, freezes left out"
    return asked.judged(count, sentence, passed=count <= allowed)


def _drift(run: MeasuredRun, series: FrameSeries, minutes: float, rules: EnduranceRules) -> Criterion:
    """One finding and one state: a step of the level to longer frames counts as drift, and so does a slope."""
    asked = Criterion.of("drift", "%", f"at most {rules.max_drift_pct:g} % longer frames, slowly or in a step")
    drift, change_pct = run.findings.drift, change_over_run_pct(series)
    if drift is None or drift.slope_pct_per_min is None or change_pct is None:
        return asked.unmeasured("drift was not looked for" if drift is None else drift.sentence)
    steps = [100.0 * (step.after_ms / step.before_ms - 1.0) for step in drift.changes if step.kind == "level"]
    if steps or drift.is_drift:
        # Slower by this much at the end of the slope, or after the largest step.
        found_pct = max(steps) if steps else drift.slope_pct_per_min * minutes
        total = "" if steps else f" It makes {found_pct:.1f} % over the run."
        sentence = f"{drift.sentence}{total}"
        return asked.judged(found_pct, sentence, passed=found_pct < rules.max_drift_pct)
    low_pct, high_pct = change_pct
    middle_pct = 0.5 * (low_pct + high_pct)
    span = f"{low_pct:+.1f} to {high_pct:+.1f} %".replace("-", "\N{MINUS SIGN}")
    if low_pct > rules.max_drift_pct:
        return asked.judged(middle_pct, f"the level changes by {span} over the run", passed=False)
    if high_pct <= rules.max_drift_pct:
        return asked.judged(middle_pct, f"no drift and no step found ({span} over the run)", passed=True)
    if minutes < rules.min_minutes or middle_pct > rules.max_drift_pct:
        helps = (
            "a longer run would tell" if minutes < rules.min_minutes else "the same scene, often repeated, would tell"
        )
        return asked.unmeasured(f"this run tells the change of the level only to {span}; {helps}")
    sentence = f"no drift and no step found; the level swings so much that {span} over the run would not show"
    return asked.judged(middle_pct, sentence, passed=True)
