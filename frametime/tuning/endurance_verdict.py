"""The verdict of a long run: does the setting hold? Looked at criterion by criterion, each with its threshold.

A limit counts as kept only where the samples of the sensors cover the run.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.sensors.sensor_log import long_gap_s
from frametime.capture import Capture
from frametime.caveats import Caveat
from frametime.metrics.drift.drift import change_over_run_pct
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import MeasuredRun, Missing
from frametime.metrics.sensors.sensor_values import CORE_CLOCK, POWER, QUANTITY_WORDS, TEMPERATURE, Channel, channel
from frametime.tuning.record import CAUTIONS, Steps
from frametime.words import counted, signed

VerdictWord = Literal["holds", "does not hold", "not shown"]


_WORST_FIRST: Final = ("failed", "not measurable", "passed")

NUMBERED: Final = ("length", "temperature")
"""Criteria that the record judges by its own numbers: least length, and the limit of the temperature."""


@dataclass(frozen=True, kw_only=True)
class EnduranceVerdict:
    """Whether a setting held for a long run, criterion by criterion.

    ``word`` is *does not hold* when any criterion failed (length aside), *not shown* when the run was too short or its
    log looks as after a crash, else *holds*; ``not_known`` names what could not be measured.
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
        _length(minutes, rules, crash.message if (crash := crash_caveat(run)) else "", is_cut=_is_cut(run)),
        freeze_criterion(run),
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
    doubts = (f"{of.file_name}: {of.criteria[0].sentence}" for of in verdicts if of.criteria[0].value is None)
    criteria = [_length(minutes, rules, " ".join(doubts))]
    for items in zip(*(verdict.criteria[1:] for verdict in verdicts), strict=True):
        worst = min(items, key=lambda item: _WORST_FIRST.index(item.state))
        file_name = verdicts[items.index(worst)].file_name
        told = worst.sentence if worst.state == "passed" else f"{file_name}: {worst.sentence}"
        criteria.append(replace(worst, sentence=told))
    return _verdict(", ".join(verdict.file_name for verdict in verdicts), minutes, tuple(criteria), rules)


def _verdict(
    file_name: str, minutes: float, criteria: tuple[Criterion, ...], rules: EnduranceRules
) -> EnduranceVerdict:
    failed = [item for item in criteria if item.state == "failed"]
    faults = ", ".join(item.label for item in failed if item.key != "length")
    word: VerdictWord = "holds"
    sentence = f"The setting held for {minutes:.1f} minutes by everything that could be measured."
    if faults:
        word, sentence = "does not hold", f"The setting does not hold: {faults}."
    elif criteria[0].state != "passed":
        word, least = "not shown", f"{rules.min_minutes:g} are needed to show that it holds"
        doubt = least if failed else "its log holds zero bytes, as after a crash"
        sentence = f"Nothing went wrong in {minutes:.1f} minutes, but {doubt}."
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


CRASHED: Final = ("zero-bytes-at-end", "zero-bytes-inside")
"""Caveats of a log as a crash of the machine leaves it."""


def crash_caveat(run: MeasuredRun) -> Caveat | None:
    """That a log looks as after a crash; ``None`` where it does not."""
    return next((caveat for caveat in run.caveats if caveat.code in CRASHED), None)


def _is_cut(run: MeasuredRun) -> bool:
    """Whether the log ends within a line: as after a crash, or where its logger was stopped."""
    return any(caveat.code == "cut-last-line" for caveat in run.caveats)


def _length(minutes: float, rules: EnduranceRules, doubt: str, *, is_cut: bool = False) -> Criterion:
    """How long it ran; not measurable where the log looks as after a crash: what it does not hold is not shown."""
    asked = Criterion.of("length", "min", f"{rules.min_minutes:g} to {rules.max_minutes:g} min")
    if doubt:
        return asked.unmeasured(doubt)
    asks = "; its log ends within a line: was it stopped by hand?" if is_cut else ""
    return asked.judged(minutes, f"the run lasted {minutes:.1f} minutes{asks}", passed=minutes >= rules.min_minutes)


def freeze_criterion(run: MeasuredRun) -> Criterion:
    """Whether frames took so long that the picture stood still."""
    asked = Criterion.of("freezes", "{count}", "no frame over 500 ms")
    count, reason = value_of(run, "freeze_over_500ms_count")
    if count is None:
        return asked.unmeasured(reason)
    longest_ms, _ = value_of(run, "max_frame_time_ms")
    longest = "" if longest_ms is None else f"; the longest frame took {longest_ms:.0f} ms"
    sentence = f"{counted(round(count), 'frame')} over 500 ms{longest}"
    return asked.judged(count, sentence, passed=count == 0)


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
    asked = Criterion.of("drift", "%", f"at most {rules.max_drift_pct:g} % longer, slowly or in a step")
    drift, change_pct = run.findings.drift, change_over_run_pct(series)
    if drift is None or drift.slope_pct_per_min is None or change_pct is None:
        return asked.unmeasured("drift was not looked for" if drift is None else drift.sentence)
    levels = [step for step in drift.changes if step.kind == "level"]
    # Steps that follow each other add up: from any level to any later one.
    rises = [end.after_ms / start.before_ms for at, start in enumerate(levels) for end in levels[at:]]
    part, skipped_s = ("the run", 0.0) if drift.warm_up is None else ("the rest", drift.warm_up.skip_s)
    if rises or drift.is_drift:
        found_pct = drift.slope_pct_per_min * (minutes - skipped_s / 60.0)
        total = f" It makes {signed(found_pct, '.1f')} % over {part}."
        if rises:
            found_pct = 100.0 * (max(rises) - 1.0)
            total = f" It makes {found_pct:.1f} % at most." if found_pct > 0.0 and len(rises) > 1 else ""
        return asked.judged(found_pct, f"{drift.sentence}{total}", passed=found_pct < rules.max_drift_pct)
    low_pct, high_pct = change_pct
    middle_pct = 0.5 * (low_pct + high_pct)
    span = f"{signed(low_pct)} to {signed(high_pct)} %"
    told = "" if drift.warm_up is None else f"{drift.warm_up.sentence}; "
    if not low_pct <= 0.0 <= high_pct:
        told += f"the level changes by {span} over {part}"
    elif high_pct <= rules.max_drift_pct:
        told += f"no drift and no step found ({span} over {part})"
    else:
        why = ", but" if drift.wander_pct is None else "; the level swings so much that"
        told += f"no drift and no step found{why} {span} over {part} would not show"
    is_open = low_pct <= rules.max_drift_pct < high_pct
    if is_open and (minutes < rules.min_minutes or middle_pct > rules.max_drift_pct):
        helps = "a longer run" if minutes < rules.min_minutes else "the same scene, often repeated,"
        return asked.unmeasured(f"this run tells the change of the level only to {span}; {helps} would tell")
    return asked.judged(middle_pct, told, passed=low_pct <= rules.max_drift_pct)


CriterionState = Literal["passed", "failed", "not measurable"]


@dataclass(frozen=True, kw_only=True)
class EnduranceRules:
    """Thresholds of the verdict.

    Length and the temperature limit are common practice, no source, and so is that no frame takes over 500 ms; the
    others are choices of this program, each a parameter.

    Attributes
    ----------
    min_minutes, max_minutes : float
        How long an endurance run lasts.
    max_hitches_per_10min : float
        Frames over 250 ms, freezes left out.
    max_drift_pct : float
        Growth of the frame time over the whole run, by a slope or by a step to a longer level.
    min_seen_fraction : float
        Share of the run that sensor samples must cover before nothing seen counts as passed.
    """

    min_minutes: float = 30.0
    max_minutes: float = 60.0
    max_hitches_per_10min: float = 1.0
    max_drift_pct: float = 3.0
    min_seen_fraction: float = 0.95

    @classmethod
    def of(cls, steps: Steps) -> EnduranceRules:
        """The rules of a record."""
        return cls(min_minutes=steps.endurance_min_minutes, max_minutes=steps.endurance_max_minutes)


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
    if (found := run.values.get(key)) is None:
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
    longest_s = min(long_gap_s(item.step_s), LONGEST_UNSEEN_S)
    is_close = np.concatenate(([False], np.diff(item.times_s) <= longest_s, [False]))
    return np.asarray(is_close[np.searchsorted(item.times_s, times_s)], dtype=np.bool_)


def temperature_criterion(run: MeasuredRun, cover: SensorCover, rules: EnduranceRules) -> Criterion:
    """Whether the peak stayed within the limit; a limit that was passed anywhere is failed."""
    limit_c = run.options.temperature_limit_c
    threshold = "the temperature limit" if limit_c is None else f"at most {limit_c:g} °C"
    asked = Criterion.of("temperature", "Cel", threshold)
    peak_c, reason = value_of(run, "peak_temperature_c")
    if peak_c is None or limit_c is None:
        return asked.unmeasured(reason or f"the peak was {peak_c:g} °C, and no temperature limit was given")
    sentence = f"the peak was {peak_c:g} °C"
    if peak_c <= limit_c and cover.fraction < rules.min_seen_fraction:
        return asked.unmeasured(f"{sentence} where it was seen: {cover}")
    return asked.judged(peak_c, sentence, passed=peak_c <= limit_c)


def throttling_criterion(run: MeasuredRun, cover: SensorCover, rules: EnduranceRules) -> Criterion:
    """Whether the clock fell at the temperature limit; ``cover`` is of temperature and core clock together."""
    asked = Criterion.of("throttling", "{count}", "no clock fall at the temperature limit")
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
    """How long the power stood at the limit that was given, which is no fault: the setting may have a lower one."""
    asked = Criterion.of("power", "%", "reported only: it is no fault")
    fraction, reason = value_of(run, "time_at_power_limit_fraction")
    if fraction is None:
        return asked.unmeasured(reason)
    sentence = f"power stood at the limit of {run.options.power_limit_w:g} W for {100.0 * fraction:.0f} % of the time"
    if cover.fraction < rules.min_seen_fraction:
        return asked.unmeasured(f"{sentence} in which it was seen: {cover}")
    return asked.judged(100.0 * fraction, sentence, passed=True)
