"""The verdict of a long run: does the setting hold?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from frametime.metrics.drift_words import open_sentence
from frametime.metrics.findings import Change
from frametime.metrics.metric import MeasuredRun
from frametime.tuning.cautions import CAUTIONS
from frametime.words import counted

CriterionState = Literal["passed", "failed", "not measurable"]
VerdictWord = Literal["holds", "does not hold", "not shown"]


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
        Frames over 700 ms.
    max_hitches_per_10min : float
        Frames over 250 ms, freezes left out.
    max_drift_pct : float
        Growth of the frame time over the whole run.
    max_change_pct : float
        Step of the frame time to a longer level.
    """

    min_minutes: float = 30.0
    max_minutes: float = 60.0
    max_freezes: int = 0
    max_hitches_per_10min: float = 1.0
    max_drift_pct: float = 3.0
    max_change_pct: float = 3.0


@dataclass(frozen=True, kw_only=True)
class Criterion:
    """One thing looked at: its number (``None`` where it cannot be measured), the threshold, and a sentence."""

    key: str
    label: str
    state: CriterionState
    value: float | None
    unit: str
    threshold: str
    sentence: str


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


def judge_endurance(run: MeasuredRun, rules: EnduranceRules | None = None) -> EnduranceVerdict:
    """Judge one long run.

    Parameters
    ----------
    run : MeasuredRun
        Measured with the limits of the card in its options, and its sensors where there are any.
    rules : EnduranceRules, optional
    """
    rules = EnduranceRules() if rules is None else rules
    minutes = run.duration_s / 60.0
    criteria = (
        _length(minutes, rules),
        _freezes(run, rules),
        _hitches(run, minutes, rules),
        _drift(run, minutes, rules),
        _changes(run, rules),
        _temperature(run),
        _throttling(run),
        _power(run),
    )
    failed = [item for item in criteria if item.state == "failed"]
    word: VerdictWord = "holds"
    if any(item.key != "length" for item in failed):
        word = "does not hold"
    elif failed:
        word = "not shown"
    return EnduranceVerdict(
        file_name=run.provenance.file_name,
        minutes=minutes,
        word=word,
        sentence=_sentence(word, minutes, failed, rules),
        criteria=criteria,
        not_known=tuple(f"{item.label}: {item.sentence}" for item in criteria if item.state == "not measurable"),
        cautions=CAUTIONS,
    )


def _sentence(word: VerdictWord, minutes: float, failed: list[Criterion], rules: EnduranceRules) -> str:
    if word == "holds":
        return f"The setting held for {minutes:.1f} minutes by everything that could be measured."
    if word == "not shown":
        return (
            f"Nothing went wrong in {minutes:.1f} minutes, but {rules.min_minutes:g} are needed to show that it holds."
        )
    reasons = ", ".join(item.label for item in failed if item.key != "length")
    return f"The setting does not hold: {reasons}."


def _criterion(
    key: str, label: str, *, passed: bool, value: float, unit: str, threshold: str, sentence: str
) -> Criterion:
    state: CriterionState = "passed" if passed else "failed"
    return Criterion(key=key, label=label, state=state, value=value, unit=unit, threshold=threshold, sentence=sentence)


def _unmeasured(key: str, label: str, unit: str, threshold: str, reason: str) -> Criterion:
    return Criterion(
        key=key,
        label=label,
        state="not measurable",
        value=None,
        unit=unit,
        threshold=threshold,
        sentence=reason,
    )


def _value(run: MeasuredRun, key: str) -> tuple[float | None, str]:
    found = run.values.get(key)
    if found is None:
        return None, f"{key} was not measured"
    return found.value, found.reason or ""


def _length(minutes: float, rules: EnduranceRules) -> Criterion:
    return _criterion(
        "length",
        "length",
        passed=minutes >= rules.min_minutes,
        value=minutes,
        unit="min",
        threshold=f"{rules.min_minutes:g} to {rules.max_minutes:g} min",
        sentence=f"the run lasted {minutes:.1f} minutes",
    )


def _freezes(run: MeasuredRun, rules: EnduranceRules) -> Criterion:
    threshold = f"at most {counted(rules.max_freezes, 'frame')} over 700 ms"
    count, reason = _value(run, "freeze_over_700ms_count")
    if count is None:
        return _unmeasured("freezes", "freezes", "{count}", threshold, reason)
    longest_ms, _ = _value(run, "max_frame_time_ms")
    longest = "" if longest_ms is None else f"; the longest frame took {longest_ms:.0f} ms"
    return _criterion(
        "freezes",
        "freezes",
        passed=count <= rules.max_freezes,
        value=count,
        unit="{count}",
        threshold=threshold,
        sentence=f"{counted(round(count), 'frame')} over 700 ms{longest}",
    )


def _hitches(run: MeasuredRun, minutes: float, rules: EnduranceRules) -> Criterion:
    most = rules.max_hitches_per_10min
    threshold = f"at most {counted(most, 'frame')} over 250 ms in 10 min"
    hitches, reason = _value(run, "hitch_over_250ms_count")
    freezes, _ = _value(run, "freeze_over_700ms_count")
    if hitches is None:
        return _unmeasured("hitches", "hitches", "{count}", threshold, reason)
    count = hitches - (freezes or 0.0)
    # A short run is given one hitch, like a run of ten minutes.
    allowed = rules.max_hitches_per_10min * max(1.0, minutes / 10.0)
    return _criterion(
        "hitches",
        "hitches",
        passed=count <= allowed,
        value=count,
        unit="{count}",
        threshold=threshold,
        sentence=f"{counted(round(count), 'frame')} over 250 ms, freezes left out",
    )


def _drift(run: MeasuredRun, minutes: float, rules: EnduranceRules) -> Criterion:
    threshold = f"at most {rules.max_drift_pct:g} % longer frames over the run"
    drift = run.findings.drift
    if drift is None or drift.slope_pct_per_min is None:
        reason = "drift was not looked for" if drift is None else drift.sentence
        return _unmeasured("drift", "drift", "%", threshold, reason)
    total_pct = drift.slope_pct_per_min * minutes
    low_pct = (drift.slope_low_pct_per_min or 0.0) * minutes
    high_pct = (drift.slope_high_pct_per_min or 0.0) * minutes
    if not drift.is_drift and not drift.changes and high_pct > rules.max_drift_pct:
        # Steady minute by minute can still be too much over a long run, so the finding's own words do not fit here.
        span = open_sentence(low_pct, high_pct, "the whole run")
        reason = f"neither a drift beyond {rules.max_drift_pct:g} % nor its absence is shown: {span}"
        return _unmeasured("drift", "drift", "%", threshold, f"{reason}; a longer run would tell.")
    return _criterion(
        "drift",
        "drift",
        passed=not (drift.is_drift and total_pct > rules.max_drift_pct),
        value=total_pct,
        unit="%",
        threshold=threshold,
        sentence=drift.sentence,
    )


def _changes(run: MeasuredRun, rules: EnduranceRules) -> Criterion:
    threshold = f"no step of {rules.max_change_pct:g} % or more to longer frames"
    drift = run.findings.drift
    if drift is None or drift.slope_pct_per_min is None:
        reason = "changes were not looked for" if drift is None else drift.sentence
        return _unmeasured("changes", "changes", "%", threshold, reason)
    steps = [change for change in drift.changes if change.kind == "level"]
    largest = max(map(_step_pct, steps), default=0.0)
    sentence = "; ".join(change.sentence for change in steps) or "no step of the frame time to another level"
    return _criterion(
        "changes",
        "changes",
        passed=largest < rules.max_change_pct,
        value=largest,
        unit="%",
        threshold=threshold,
        sentence=sentence,
    )


def _step_pct(change: Change) -> float:
    return 100.0 * (change.after_ms / change.before_ms - 1.0)


def _temperature(run: MeasuredRun) -> Criterion:
    limit_c = run.options.temperature_limit_c
    threshold = "the temperature limit" if limit_c is None else f"at most {limit_c:g} °C"
    peak_c, reason = _value(run, "peak_temperature_c")
    if peak_c is None or limit_c is None:
        reason = reason or f"the peak was {peak_c:.0f} °C, and no temperature limit was given"
        return _unmeasured("temperature", "temperature", "Cel", threshold, reason)
    return _criterion(
        "temperature",
        "temperature",
        passed=peak_c <= limit_c,
        value=peak_c,
        unit="Cel",
        threshold=threshold,
        sentence=f"the peak was {peak_c:.0f} °C",
    )


def _throttling(run: MeasuredRun) -> Criterion:
    threshold = "no fall of the clock at the temperature limit"
    count, reason = _value(run, "throttling_count")
    if count is None:
        return _unmeasured("throttling", "throttling", "{count}", threshold, reason)
    hot = [item for item in run.findings.throttling if item.cause == "temperature"]
    limited = len(run.findings.throttling) - len(hot)
    deepest = max((item.depth_mhz for item in hot), default=0.0)
    length_s = sum(item.end_s - item.start_s for item in hot)
    sentence = f"the clock fell {counted(len(hot), 'time')} at the temperature limit"
    if hot:
        sentence += (
            f", for {length_s:.0f} s together and by up to {deepest:.0f} MHz, first after {hot[0].start_s:.0f} s"
        )
    if limited:
        sentence += f"; {counted(limited, 'time')} at the power limit, which is how a power limit works"
    return _criterion(
        "throttling",
        "throttling",
        passed=not hot,
        value=float(len(hot)),
        unit="{count}",
        threshold=threshold,
        sentence=sentence,
    )


def _power(run: MeasuredRun) -> Criterion:
    threshold = "reported only: a card may stand at its power limit"
    fraction, reason = _value(run, "time_at_power_limit_fraction")
    if fraction is None:
        return _unmeasured("power", "power", "1", threshold, reason)
    sentence = f"power stood at its limit for {100.0 * fraction:.0f} % of the time"
    return _criterion("power", "power", passed=True, value=fraction, unit="1", threshold=threshold, sentence=sentence)
