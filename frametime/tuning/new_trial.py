"""A trial that is to be noted: held against what was proposed, against its record, and against what its logs show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from frametime.capture import Capture
from frametime.caveats import Caveat, Weight
from frametime.errors import RecordError, printable
from frametime.metrics.metric import MeasuredRun
from frametime.metrics.options import MeasureOptions
from frametime.tuning.next_trial import next_trial
from frametime.tuning.proposal import Finished, NextStep, Proposal
from frametime.tuning.record import KNOBS, Axis, Limits, Outcome, Trial, TuningRecord, option_of
from frametime.tuning.record_text import refuse_trial, trial_text
from frametime.tuning.trial_view import TrialView
from frametime.tuning.tuning_summary import NotedTrial

_USUAL: Final = MeasureOptions()

_SHORT_MINUTES: Final = 0.02
"""So much earlier than asked for a run may end: a log ends within a frame or two of the time that was set."""


def proposed_trial(new: Trial, step: NextStep, *, name: str) -> Trial:
    """The trial with the setting and the workload that were proposed; ``name`` is that of the record.

    Raises
    ------
    RecordError
        If nothing is proposed, or no endurance run where the new trial is one.
    """
    if isinstance(step, Finished) or (new.is_endurance and not step.is_endurance):
        what = "trial" if isinstance(step, Finished) else "endurance run"
        raise RecordError.at(name, f"no {what} is proposed", helps="say what was set: --core, --memory and --workload")
    # A power limit that was noted in W is kept as it was noted.
    setting = step.setting if new.power_limit_w is None else step.setting.turned_to("power", 0)
    return replace(new, setting=setting, workload=step.workload, is_endurance=step.is_endurance)


def refuse_left_out(left_out: Sequence[Axis], step: NextStep, *, name: str) -> None:
    """Refuse a trial set by hand that does not say how a knob stood that the proposed trial has turned.

    Raises
    ------
    RecordError
    """
    for axis in left_out:
        if isinstance(step, Proposal) and step.setting.turned(axis):
            option = f"{option_of(axis)} {getattr(step.setting, KNOBS[axis].field):g}, or {KNOBS[axis].stock} at stock"
            found = f"the proposed trial has {step.setting.words(axis)}, and the new one does not say"
            raise RecordError.at(name, found, helps=f"say how it was set: {option}")


def refuse_new(new: Trial, noted: Trial, record: TuningRecord, *, name: str) -> None:
    """Refuse what the record cannot take, before a log is read; ``noted`` has its paths as the record would hold them.

    A run that was noted twice would count as two runs, and make numbers surer than they are.

    Raises
    ------
    RecordError
    """
    # How long an endurance run was, its logs may say.
    refuse_trial(trial_text(replace(noted, is_endurance=False)), record, name=name)
    tomorrow = datetime.now(tz=UTC).date() + timedelta(days=1)  # it may be tomorrow already, farther east
    if new.on is not None and (not new.on or datetime.fromisoformat(new.on).date() > tomorrow):
        found = f"on is '{new.on}', a day that is yet to come" if new.on else "on is empty"
        raise RecordError.at(name, found, helps="give the day on which the trial was made")
    known = {log: number for number, trial in enumerate(record.trials, start=1) for log in trial.logs}
    for typed, log in zip(new.logs, noted.logs, strict=True):
        if log in known or noted.logs.count(log) > 1:
            where = f"in the record already, with trial {known[log]}" if log in known else "given twice"
            helps = "a run counts once: give each run a log with a name of its own"
            raise RecordError.at(typed, f"this log is {where}", helps=helps)
    if new.logs or new.outcome is not Outcome.PASSED:
        return
    if new.is_endurance and new.minutes is None:
        raise RecordError.at(name, "minutes is not known for the endurance run", helps="give --minutes or --log")
    least = record.least_minutes(new.workload, is_endurance=new.is_endurance)
    if new.minutes is not None and new.minutes < least:
        found = f"minutes is {new.minutes:g}, and {least:g} are needed to show that it holds"
        raise RecordError.at(name, found, helps="run it for longer")


@dataclass(frozen=True, kw_only=True)
class MeasuredLog:
    """A run of a trial; ``against`` is what its log holds against a trial that is said to have passed."""

    run: MeasuredRun
    caveats: tuple[Caveat, ...]
    against: tuple[str, ...]

    @property
    def minutes(self) -> float:
        """How long the run lasted."""
        return self.run.duration_s / 60.0

    def value(self, key: str) -> float | None:
        """A metric of the run."""
        return self.run.values[key].value

    def heat(self, limits: Limits) -> str | None:
        """That the card got hotter than the record allows; ``None`` where it did not."""
        return limits.heat(self.value("peak_temperature_c"))


def options_of(record: TuningRecord, trial: Trial | None, asked: MeasureOptions = _USUAL) -> MeasureOptions:
    """How a log of the record's card is measured: limits that are left open are the record's, or its trial's own."""
    limit_w = record.limits.power_w if trial is None else record.limit_w(trial)
    limit_c = asked.temperature_limit_c or record.limits.temperature_c
    return replace(asked, temperature_limit_c=limit_c, power_limit_w=asked.power_limit_w or limit_w)


def judged_log(trial: Trial, capture: Capture, run: MeasuredRun, *, name: str, hint: str | None) -> MeasuredLog:
    """A log of a trial, held against it; ``hint`` is what is to be said of one that is no capture.

    A freeze speaks against any run, a drift or hitches against the long one only. A record has no need of caveats that
    do not ask for the run to be repeated.
    """
    from frametime.tuning.endurance_verdict import crash_caveat, freeze_criterion, judge_endurance

    if trial.is_endurance:
        against = judge_endurance(capture, run).against
    else:
        freezes = freeze_criterion(run)
        against = (freezes.sentence,) if freezes.state == "failed" else ()
    if hint is not None:
        caveats: tuple[Caveat, ...] = (Caveat(code="trial-log-unusable", message=hint, weight=Weight.REPEAT),)
    else:
        caveats = tuple(
            replace(caveat, message=f"{name}: repeat this run: {caveat.message}")
            for caveat in run.caveats
            if caveat.weight is Weight.REPEAT
        ) + tuple(caveat for caveat in run.caveats if caveat.code == "sensors-unusable" or _is_covered_in_part(caveat))
    if crash := crash_caveat(run):
        message = f"{name}: {crash.message} If the machine went down, take the trial back:  frametime tune undo"
        caveats += (replace(crash, message=message),)
    return MeasuredLog(run=run, caveats=caveats, against=against)


def refuse_logs(trial: Trial, logs: Sequence[MeasuredLog], record: TuningRecord) -> None:
    """Refuse a trial that is said to have passed where a log contradicts it, or is too short to show it.

    Raises
    ------
    RecordError
        Naming the log.
    """
    for name, log in zip(trial.logs, logs, strict=True):
        if log.against:
            found = f"the trial is noted as passed, and this log shows {'; '.join(log.against)}"
            helps = "note how it ended, such as --outcome froze or --outcome does-not-hold"
            raise RecordError.at(name, found, helps=helps)
    least = record.least_minutes(trial.workload, is_endurance=trial.is_endurance)
    minutes = [log.minutes for log in logs]
    lengths = [sum(minutes)] if trial.is_endurance else minutes  # of an endurance run with the first log
    for name, length in zip(trial.logs, lengths, strict=False):
        if length < least - _SHORT_MINUTES:
            key = "endurance_min_minutes in [steps]" if trial.is_endurance else f"'{trial.workload}' in [lengths]"
            found = f"the run lasted {length:.2g} minutes, and {least:g} are needed to show that it holds"
            parts = ", give each of its parts with --log" if trial.is_endurance else ""
            raise RecordError.at(name, found, helps=f"run it for longer{parts}, or set {key}")


def with_measurements(trial: Trial, logs: Sequence[MeasuredLog]) -> Trial:
    """The trial with the speed, power and temperature of its measured runs, and the length of an endurance run.

    Power is taken only where every run has it, so that run and power stay side by side.
    """
    if not logs:
        return trial
    fps, power_w, peaks_c = (
        [value for log in logs if (value := log.value(key)) is not None]
        for key in ("average_fps", "average_power_w", "peak_temperature_c")
    )
    return replace(
        trial,
        minutes=round(sum(log.minutes for log in logs), 2) if trial.is_endurance else trial.minutes,
        average_fps=tuple(map(_rounded, fps)),
        average_power_w=tuple(map(_rounded, power_w)) if len(power_w) == len(logs) else (),
        peak_temperature_c=max(peaks_c, default=trial.peak_temperature_c),
    )


def _rounded(value: float) -> float:
    """Seven significant digits: far below what runs scatter, and readable in the record."""
    return float(f"{value:.7g}")


def judged_trial(trial: Trial, logs: Sequence[MeasuredLog], *, number: int) -> tuple[Trial, tuple[Caveat, ...]]:
    """A trial that stands in a record, with its numbers, and what its logs say; one that they contradict has failed."""
    judged = with_measurements(trial, logs)
    if trial.outcome is not Outcome.PASSED:
        return judged, ()
    caveats = tuple(caveat for log in logs for caveat in log.caveats)
    if against := [told for log in logs for told in log.against]:
        message = f"Trial {number} is noted as passed, and its log says otherwise: {'; '.join(against)}."
        caveat = Caveat(code="trial-log-contradicts", message=message, weight=Weight.REPEAT)
        return replace(judged, outcome=Outcome.DOES_NOT_HOLD), (caveat, *caveats)
    return judged, caveats


def noted(record: TuningRecord, measured: TuningRecord, caveats: Sequence[Caveat]) -> NotedTrial:
    """The last trial of a record, and what is next by the ``measured`` one."""
    return NotedTrial(
        number=len(record.trials),
        trial=record.trials[-1],
        failure=TrialView(record).failure_of(record.trials[-1]),
        next_step=next_trial(measured),
        caveats=tuple(caveats),
    )


FAILURE_KEYS: Final = {
    "f": Outcome.FROZE,
    "d": Outcome.DRIVER_RESET,
    "a": Outcome.ARTIFACTS,
    "x": Outcome.DID_NOT_FINISH,
}
"""What an operator sees and a log may not: one key each, at any time."""


def _is_covered_in_part(caveat: Caveat) -> bool:
    """Whether the sensors saw too little of a run to say that a limit was kept."""
    return caveat.code == "sensors-cover-part" and caveat.weight is Weight.CARE


_UNCLOSED: Final = ("zero-bytes-at-end", "zero-bytes-inside", "cut-last-line")
"""Caveats of a log that was not closed as it should be: it may be of a crash."""

_QUESTIONS: Final = (
    ("Artifacts? y yes, n no", "y", Outcome.ARTIFACTS),
    ("Did it finish? y yes, n no", "n", Outcome.DID_NOT_FINISH),
)
"""Asked one after the other; the key that means a failure, and which."""


@dataclass
class TrialAtHand:
    """A proposed trial while it is made: a failure that its logs show needs no word, and only the rest is asked.

    Attributes
    ----------
    step : Proposal
    runs : dict of Path to float
        The minutes of each run, by its log.
    n_answers : int or None
        Questions that are answered; ``None`` while runs are to come and none is asked.
    """

    step: Proposal
    runs: dict[Path, float] = field(default_factory=dict)
    n_answers: int | None = None

    def trial(self, outcome: Outcome) -> Trial:
        """The trial as it is noted, without its logs."""
        step = self.step
        return Trial(setting=step.setting, workload=step.workload, outcome=outcome, is_endurance=step.is_endurance)

    def is_of(self, noted: Trial) -> bool:
        """Whether a trial that was noted is one of this step."""
        asked = self.trial(noted.outcome)
        return all(getattr(asked, key) == getattr(noted, key) for key in ("setting", "workload", "is_endurance"))

    def take(self, path: Path, log: MeasuredLog, record: TuningRecord) -> tuple[str, Outcome | None]:
        """Take the log of a run: what it shows, and how the trial has ended where it shows that."""
        step, least = self.step, self.step.minutes
        again = ". This log stands in place of what it was before: give each run a name of its own"
        again = again if path in self.runs else self._beside(path, log.minutes)
        self.runs[path] = log.minutes
        if log.against:
            froze = any("500 ms" in told for told in log.against)
            return "; ".join(log.against), Outcome.FROZE if froze else Outcome.DOES_NOT_HOLD
        minutes = sum(self.runs.values()) if step.is_endurance else log.minutes
        is_part = step.is_endurance and log.minutes >= record.least_minutes(step.workload) - _SHORT_MINUTES
        is_short = minutes < least - _SHORT_MINUTES
        if is_short and not is_part:
            told = f"cut off after {log.minutes:.1f} of {least:g} minutes. If you ended it, take it back: u"
            return told, Outcome.DID_NOT_FINISH
        if heat := log.heat(record.limits):
            return heat, Outcome.PASSED
        if len(self.runs) >= step.n_runs and not is_short:
            self.n_answers = 0
        made = f"{minutes:.1f} of {least:g} minutes" if step.is_endurance else f"run {len(self.runs)} of {step.n_runs}"
        sensed = {"temperature": log.value("peak_temperature_c"), "power": log.value("average_power_w")}
        if unseen := [name for name, value in sensed.items() if value is None]:
            again += f". No {' and no '.join(unseen)} was measured: does the sensor log run?"
        doubts = (one for one in log.run.caveats if one.code in _UNCLOSED or _is_covered_in_part(one))
        ends = "".join(f". {doubt.message}".removesuffix(".") for doubt in doubts)
        return f"{log.minutes:.1f} minutes, {made} so far{ends or ', nothing wrong in the log'}{again}", None

    def _beside(self, path: Path, minutes: float) -> str:
        """That another log was written over most of the same time, by when both files were last changed."""
        lengths = {**self.runs, path: minutes}
        ends = {log: log.stat().st_mtime / 60.0 for log in lengths if log.exists()}
        for log in (each for each in self.runs if each != path and {each, path} <= ends.keys()):
            shared = min(ends[path], ends[log]) - max(ends[path] - minutes, ends[log] - lengths[log])
            if shared > 0.5 * min(minutes, lengths[log]):
                return f". {printable(log.name)} was written meanwhile: if both are of one run, take this back: u"
        return ""

    @property
    def question(self) -> str:
        """What is asked; an empty text where nothing is."""
        return "" if self.n_answers is None else f"{_QUESTIONS[self.n_answers][0]}, u take back\n"

    def answered(self, key: str) -> Outcome | None:
        """How the trial has ended by a key; ``None`` where it does not say."""
        if self.n_answers is None:
            return FAILURE_KEYS.get(key)
        _, failing, outcome = _QUESTIONS[self.n_answers]
        if key == failing:
            return outcome
        if key in ("y", "n"):
            if self.n_answers == len(_QUESTIONS) - 1:
                return Outcome.PASSED
            self.n_answers += 1
        return None

    def ask_again(self, runs: dict[Path, float], outcome: Outcome) -> None:
        """Go on with the runs of a trial that is taken back; where they are all there, ask once more what ended it."""
        self.runs, minutes = runs, sum(runs.values())
        is_short = self.step.is_endurance and minutes < self.step.minutes - _SHORT_MINUTES
        if len(runs) >= self.step.n_runs and not is_short:
            self.n_answers = 0 if outcome is Outcome.ARTIFACTS else len(_QUESTIONS) - 1
