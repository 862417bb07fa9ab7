"""The file of a tuning record: read, begun, judged, and appended to so that no trial is lost.

A tuning step that freezes the machine may well do so while a trial is being noted. The record is therefore written
whole to a temporary name, forced to the disk and then renamed; what stood in it before is kept byte for byte.
"""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Final

from frametime.adapters.sensors.sensor_log import sensor_log_beside
from frametime.caveats import Caveat, Weight
from frametime.errors import FrametimeError, ReadError, RecordError, did_you_mean, printable
from frametime.metrics.metric import MeasuredRun
from frametime.metrics.options import MeasureOptions
from frametime.pipeline.measuring import MeasureRequest, measure_file, sensor_log_hint
from frametime.plans.folder_walk import path_from
from frametime.replacing import alone_with, claiming, write_bytes
from frametime.settings.toml_source import decoded_text, file_bytes
from frametime.tuning.next_trial import next_trial
from frametime.tuning.proposal import Finished, Proposal
from frametime.tuning.record import KNOBS, Axis, Limits, Outcome, Trial, TuningRecord, option_of
from frametime.tuning.record_text import TEMPLATE, date_text, parse_record, refuse_trial, trial_text
from frametime.tuning.trial_view import TrialView
from frametime.tuning.tuning_summary import NotedTrial
from frametime.words import counted

if TYPE_CHECKING:
    from frametime.capture import Capture
    from frametime.tuning.endurance_verdict import EnduranceVerdict
    from frametime.tuning.tuning_summary import TuningSummary


@dataclass(frozen=True, kw_only=True)
class MeasuredLog:
    """A run of a trial; ``against`` is what its log holds against a trial that is said to have passed."""

    run: MeasuredRun
    caveats: tuple[Caveat, ...]
    against: tuple[str, ...]

    def value(self, key: str) -> float | None:
        """A metric of the run."""
        return self.run.values[key].value


def measured_logs(
    trial: Trial, *, limits: Limits, folder: Path = Path(), reading: MeasureRequest | None = None
) -> list[MeasuredLog]:
    """The logs of a trial, measured with the limits of its record; ``folder`` is where its paths begin.

    Raises
    ------
    FrametimeError
        If a log or its sensor log cannot be used.
    """
    from frametime.tuning.endurance_verdict import judge_endurance

    options = MeasureOptions(temperature_limit_c=limits.temperature_c, power_limit_w=limits.power_w)
    found = []
    for log, sensors in zip(trial.logs, trial.sensors or (None,) * len(trial.logs), strict=True):
        path = str(folder / log)
        request = request_of_log(path, None if sensors is None else str(folder / sensors), options, reading)
        capture, run = measure_file(replace(request, keep_curves=False))
        against = judge_endurance(capture, run).against if trial.is_endurance else _freezes(run)
        found.append(MeasuredLog(run=run, caveats=_doubts(path, run), against=against))
    return found


def _freezes(run: MeasuredRun) -> tuple[str, ...]:
    """A freeze speaks against any run."""
    from frametime.tuning.endurance_verdict import EnduranceRules

    n_frozen = int(run.values["freeze_over_500ms_count"].value or 0)
    if n_frozen <= EnduranceRules().max_freezes:
        return ()
    longest_ms = run.values["max_frame_time_ms"].value
    return (f"{counted(n_frozen, 'frame')} over 500 ms; the longest took {longest_ms:.0f} ms",)


def _doubts(log: str, run: MeasuredRun) -> tuple[Caveat, ...]:
    """That a log is no capture, or that its run should be repeated; a record has no need of the lighter caveats."""
    hint = sensor_log_hint(log, run)
    if hint is not None:
        return (Caveat(code="trial-log-unusable", message=hint, weight=Weight.REPEAT),)
    return tuple(
        replace(caveat, message=f"{printable(log, limit=1000)}: repeat this run: {caveat.message}")
        for caveat in run.caveats
        if caveat.weight is Weight.REPEAT
    ) + tuple(caveat for caveat in run.caveats if caveat.code == "sensors-unusable")


def request_of_log(
    log: str, sensors: str | None, options: MeasureOptions, reading: MeasureRequest | None
) -> MeasureRequest:
    """What is to be measured of one log; ``reading`` says how it is read, where not everything is found in it."""
    from frametime.adapters.base import ReadOptions

    if sensors not in (None, "-") and not Path(str(sensors)).exists():
        raise ReadError.at(str(sensors), "there is no such file", helps="correct the name: a record would keep it")
    reading = reading or MeasureRequest(path=log, read=ReadOptions())
    return replace(reading, path=log, measure=options, sensors=sensors)


def with_measurements(trial: Trial, runs: Sequence[MeasuredLog]) -> Trial:
    """The trial with the speed, power and temperature of its measured runs.

    Power is taken only where every run has it, so that run and power stay side by side.
    """
    fps, power_w, peaks_c = (
        [value for run in runs if (value := run.value(key)) is not None]
        for key in ("average_fps", "average_power_w", "peak_temperature_c")
    )
    return replace(
        trial,
        average_fps=tuple(map(_rounded, fps)),
        average_power_w=tuple(map(_rounded, power_w)) if len(power_w) == len(runs) else (),
        peak_temperature_c=max(peaks_c, default=trial.peak_temperature_c),
    )


def measured_record(record: TuningRecord, folder: Path) -> tuple[TuningRecord, tuple[Caveat, ...]]:
    """The record with every trial measured that has logs and no numbers yet; ``folder`` is where its paths begin.

    A log of a passed trial that cannot be used is a caveat: the trial itself still counts. One that contradicts it is a
    caveat too, and the trial counts as failed.
    """
    trials = list(record.trials)
    caveats: list[Caveat] = []
    for at, trial in enumerate(trials):
        if not trial.logs or trial.average_fps:
            continue
        is_passed = trial.outcome is Outcome.PASSED
        try:
            runs = measured_logs(trial, limits=record.limits, folder=folder)
        except (FrametimeError, OSError) as error:
            if is_passed:  # the log of a freeze is often cut off, and no speed is taken from a failed trial
                message = f"Trial {at + 1} has no measured speed: {error}"
                caveats.append(Caveat(code="trial-log-unusable", message=message, weight=Weight.CARE))
            continue
        trials[at] = with_measurements(trial, runs)
        if is_passed and (against := [told for run in runs for told in run.against]):
            trials[at] = replace(trials[at], outcome=Outcome.DOES_NOT_HOLD)
            message = f"Trial {at + 1} is noted as passed, and its log says otherwise: {'; '.join(against)}."
            caveats.append(Caveat(code="trial-log-contradicts", message=message, weight=Weight.REPEAT))
        if is_passed:
            caveats += [caveat for run in runs for caveat in run.caveats]
    return replace(record, trials=tuple(trials)), tuple(caveats)


def _rounded(value: float) -> float:
    """Seven significant digits: far below what runs scatter, and readable in the record."""
    return float(f"{value:.7g}")


_TRIAL: Final = re.compile(rb"(?:\r?\n)?^[ \t]*\[\[[ \t]*trials[ \t]*\]\]", re.MULTILINE)


def read_record(path: str) -> TuningRecord:
    """The tuning record in the file ``path``.

    Raises
    ------
    RecordError
        If it cannot be read, or an entry is wrong.
    """
    return _parsed(_content(path), path)


def new_record(path: str) -> None:
    """Write a first record to fill in; a file that is there already is left alone.

    Raises
    ------
    OutputError
    """
    with claiming([Path(path)], force=False, helps="choose another name"):
        write_bytes(Path(path), TEMPLATE.encode(), is_forced=True)


def append_trial(path: str, trial: Trial) -> TuningRecord:
    """Append a trial to the record in the file ``path`` and give the record with it.

    Raises
    ------
    RecordError
        If the record cannot be read, or the trial does not fit it: nothing is written then.
    OutputError
        If it cannot be written: the file is as it was then.
    """
    target = Path(os.path.realpath(path))
    with alone_with(target):
        before = _content(path)
        refuse_trial(trial_text(trial), _parsed(before, path), name=path)
        line_end = b"\r\n" if b"\r\n" in before else b"\n"
        added = line_end + trial_text(trial).encode().replace(b"\n", line_end)
        after = before + (b"" if before.endswith(b"\n") else line_end) + added
        record = _parsed(after, path)
        if record.trials[-1:] != (trial,):
            helps = "write trials as [[trials]] tables at the end"
            raise RecordError.at(path, "a trial cannot be appended to this text", helps=helps)
        write_bytes(target, after, is_forced=True)
    return record


def take_back_trial(path: str) -> tuple[TuningRecord, Trial]:
    """Take the last trial out of the record in the file ``path``: the record without it, and the trial.

    Raises
    ------
    RecordError
        If there is none, or it is no ``[[trials]]`` table at the end: nothing is written then.
    OutputError
        If it cannot be written.
    """
    target = Path(os.path.realpath(path))
    with alone_with(target):
        before = _content(path)
        record = _parsed(before, path)
        heads = list(_TRIAL.finditer(before))
        if not record.trials or not heads:
            raise RecordError.at(path, "there is no trial to take back", helps="frametime tune show lists the trials")
        after = before[: heads[-1].start()]
        rest = _parsed(after, path)
        if rest != replace(record, trials=record.trials[:-1]):
            raise RecordError.at(path, "the last trial does not stand at the end", helps="take it out by hand")
        write_bytes(target, after, is_forced=True)
    return rest, record.trials[-1]


def _content(path: str) -> bytes:
    return file_bytes(path, RecordError, helps="frametime tune new begins one")


def _parsed(content: bytes, path: str) -> TuningRecord:
    return parse_record(decoded_text(content, path, RecordError), name=path)


def note_trial(
    path: str, new: Trial, *, reading: MeasureRequest | None = None, left_out: Sequence[Axis] = ()
) -> NotedTrial:
    """Measure the logs of a trial, append it to the record in ``path`` and say what comes next.

    The paths of ``new`` are as seen from the current folder, not from that of the record. Without a workload it is
    the trial that the record proposes: its setting, its workload and, where it passed, the newest logs. Else knobs that
    are ``left_out`` stand at stock, and are asked for where the proposed trial has them elsewhere.

    The log of a failed trial may be cut off or empty: the trial is noted without numbers then. The log of a trial
    that passed must be readable, as long as the record asks for, and must not contradict it: an operator may note a
    failure of any log, but no pass against one.

    Raises
    ------
    FrametimeError
        If the record, an entry or a log is wrong; nothing is written then.
    """
    with alone_with(Path(path)):  # or two at once could note one log, or one proposal, twice
        asked, record = new, read_record(path)
        if not asked.workload:
            new = _as_proposed(path, record, new)
        _check(path, new, record)
        if asked.workload and left_out:
            _refuse_left_out(path, record, left_out)
        old = () if asked.logs else _finished_before(Path(path), new.logs)
        runs, caveats = _measured(new, record, reading)
        trial = _trial_of(new, Path(path).resolve().parent, runs)
        record = append_trial(path, trial)
    measured, more = measured_record(record, Path(path).parent)
    return NotedTrial(
        number=len(record.trials),
        trial=trial,
        failure=TrialView(record).failure_of(trial),
        next_step=next_trial(measured),
        caveats=(*old, *caveats, *more),
    )


def _refuse_left_out(path: str, record: TuningRecord, left_out: Sequence[Axis]) -> None:
    """Refuse a trial set by hand that does not say how a knob stood that the proposed trial has turned."""
    step = next_trial(measured_record(record, Path(path).parent)[0])
    for axis in left_out:
        if isinstance(step, Proposal) and step.setting.turned(axis):
            option = f"{option_of(axis)} {getattr(step.setting, KNOBS[axis].field):g}, or {KNOBS[axis].stock} at stock"
            found = f"the proposed trial has {step.setting.words(axis)}, and the new one does not say"
            raise RecordError.at(path, found, helps=f"say how it was set: {option}")


def _finished_before(record: Path, logs: Sequence[str]) -> tuple[Caveat, ...]:
    """That a log which was taken by itself is older than the last change of the record."""
    old = [printable(log, limit=1000) for log in logs if Path(log).stat().st_mtime_ns < record.stat().st_mtime_ns]
    helps = "if it is of another run, 'frametime tune undo' takes the trial back"
    message = f"{', '.join(old)}: finished before the record was last changed; {helps}"
    return (Caveat(code="trial-log-old", message=message, weight=Weight.CARE),) if old else ()


def _as_proposed(path: str, record: TuningRecord, new: Trial) -> Trial:
    """The trial as the record proposed it: its setting, its workload and, where it passed, the newest logs.

    Raises
    ------
    RecordError
        If nothing is proposed, or fewer new logs stand in the folder than runs were asked for.
    """
    step = next_trial(measured_record(record, Path(path).parent)[0])
    if isinstance(step, Finished):
        raise RecordError.at(path, "no trial is proposed", helps="say what was set: --core, --memory and --workload")
    # A power limit that was noted in W is kept as it was noted.
    setting = step.setting if new.power_limit_w is None else step.setting.turned_to("power", 0)
    new = replace(new, setting=setting, workload=step.workload, is_endurance=step.is_endurance)
    if record.logs_folder is None or new.logs or new.average_fps or new.outcome is not Outcome.PASSED:
        return new
    return with_logs(new, _newest_logs(path, record, step.n_runs))


def with_logs(trial: Trial, logs: Sequence[Path]) -> Trial:
    """The trial with its logs, and with their sensor logs where each has one beside it by now."""
    sensors = [sensor_log_beside(log) for log in logs]
    return replace(trial, logs=tuple(map(str, logs)), sensors=tuple(map(str, sensors)) if all(sensors) else ())


def _newest_logs(path: str, record: TuningRecord, n_runs: int) -> list[Path]:
    from frametime.adapters.file_kind import classify_file

    folder = Path(path).parent / str(record.logs_folder)
    known = {log for trial in record.trials for log in trial.logs}
    try:
        files = [file for file in folder.iterdir() if file.is_file() and not file.name.startswith(".")]
        new = sorted(
            (file.stat().st_mtime_ns, file)
            for file in files
            if classify_file(file).kind == "frames" and path_from(file, Path(path).parent) not in known
        )
    except OSError as error:
        raise RecordError.at(str(folder), f"cannot be read ({error.strerror})", helps="logs_folder names it") from error
    if len(new) < n_runs:
        found = f"{counted(len(new), 'new log')}, {counted(n_runs, 'run')} asked for"
        raise RecordError.at(str(folder), found, helps="give --log FILE, or --fps for a run without one")
    return [file for _, file in new[-n_runs:]]


def _trial_of(new: Trial, folder: Path, runs: list[MeasuredLog]) -> Trial:
    """The trial as it goes into the record: paths from the record's folder, numbers from the logs."""
    logs, sensors = (tuple(path_from(Path(log), folder) for log in of_runs) for of_runs in (new.logs, new.sensors))
    trial = replace(new, logs=logs, sensors=sensors)
    if runs and new.is_endurance:  # what the log shows, not what was said
        trial = replace(trial, minutes=round(sum(run.run.duration_s for run in runs) / 60.0, 2))
    return with_measurements(trial, runs) if runs else trial


def _check(path: str, new: Trial, record: TuningRecord) -> None:
    names = [workload.name for workload in record.workloads]
    if new.workload not in names:
        helps = did_you_mean(new.workload, names) or f"the record has {', '.join(map(repr, names))}"
        raise RecordError.at(path, f"workload '{printable(new.workload, limit=60)}' is not in the record", helps=helps)
    if new.on is not None:
        if date_text(new.on) is None:
            found = f"on is '{printable(new.on, limit=60)}'"
            raise RecordError.at(path, found, helps="give a date such as 2026-11-25")
        tomorrow = datetime.now(tz=UTC).date() + timedelta(days=1)  # it may be tomorrow already, farther east
        if datetime.fromisoformat(new.on).date() > tomorrow:
            found = f"on is '{new.on}', a day that is yet to come"
            raise RecordError.at(path, found, helps="give the day on which the trial was made")
    _check_logs(path, new, record)
    if new.is_endurance and new.minutes is None and not new.logs and new.outcome is Outcome.PASSED:
        raise RecordError.at(path, "minutes is not known for the endurance run", helps="give --minutes or --log")
    least = record.least_minutes(new.workload, is_endurance=new.is_endurance)
    if new.outcome is Outcome.PASSED and not new.logs and new.minutes is not None and new.minutes < least:
        found = f"minutes is {new.minutes:g}, and {least:g} are needed to show that it holds"
        raise RecordError.at(path, found, helps="run it for longer")


def _check_logs(path: str, new: Trial, record: TuningRecord) -> None:
    """A run that was noted twice would count as two runs, and make numbers surer than they are."""
    known = {log: number for number, trial in enumerate(record.trials, start=1) for log in trial.logs}
    folder = Path(path).resolve().parent
    for log, name in zip(new.logs, (path_from(Path(log), folder) for log in new.logs), strict=True):
        if name in known or new.logs.count(log) > 1:
            where = f"in the record already, with trial {known[name]}" if name in known else "given twice"
            helps = "a run counts once: give each run a log with a name of its own"
            raise RecordError.at(log, f"this log is {where}", helps=helps)


def _measured(
    new: Trial, record: TuningRecord, reading: MeasureRequest | None
) -> tuple[list[MeasuredLog], tuple[Caveat, ...]]:
    try:
        runs = measured_logs(new, limits=record.limits, reading=reading)
    except (FrametimeError, OSError) as error:
        if new.outcome is Outcome.PASSED:
            raise
        message = f"The trial is noted without numbers from its log: {error}"
        return [], (Caveat(code="trial-log-unusable", message=message, weight=Weight.NOTE),)
    if new.outcome is not Outcome.PASSED:
        return runs, ()  # a run that failed is short, and no speed is taken from it
    for log, run in zip(new.logs, runs, strict=True):
        if run.against:
            found = f"the trial is noted as passed, and this log shows {'; '.join(run.against)}"
            helps = "note how it ended, such as --outcome froze or --outcome does-not-hold"
            raise RecordError.at(log, found, helps=helps)
    # A run that is too short proves nothing; that of a failed trial may be as short as it was.
    least = record.least_minutes(new.workload, is_endurance=new.is_endurance)
    minutes = [run.run.duration_s / 60.0 for run in runs]
    lengths = [sum(minutes)] if new.is_endurance else minutes  # of an endurance run with the first log
    for log, length in zip(new.logs, lengths, strict=False):
        # A log ends within a frame or two of the time that was set.
        if length < least - 0.02:
            key = "endurance_min_minutes in [steps]" if new.is_endurance else f"'{new.workload}' in [lengths]"
            found = f"the run lasted {length:.2g} minutes, and {least:g} are needed to show that it holds"
            parts = ", give each of its parts with --log" if new.is_endurance else ""
            raise RecordError.at(log, found, helps=f"run it for longer{parts}, or set {key}")
    return runs, tuple(caveat for run in runs for caveat in run.caveats)


def summarize_file(path: str) -> TuningSummary:
    """Read a tuning record, measure the logs that have no numbers yet, and judge it.

    Raises
    ------
    RecordError
    """
    from frametime.tuning.summarizing import summarize

    record, caveats = measured_record(read_record(path), Path(path).parent)
    return summarize(record, caveats=caveats)


def endurance_run(
    captures: Sequence[str],
    sensors: Sequence[str | None],
    *,
    options: MeasureOptions,
    reading: MeasureRequest | None = None,
    record: str | None = None,
) -> tuple[list[tuple[Capture, MeasuredRun]], EnduranceVerdict]:
    """The runs of one endurance run, measured, and its verdict; limits that are left open come from the record.

    Raises
    ------
    FrametimeError
        If the record, a capture or its sensor log cannot be used.
    """
    from frametime.tuning.endurance_verdict import EnduranceRules, judge_endurance, judge_in_turn

    rules = EnduranceRules()
    if record is not None:
        known = read_record(record)
        steps, limits = known.steps, known.limits
        rules = EnduranceRules(min_minutes=steps.endurance_min_minutes, max_minutes=steps.endurance_max_minutes)
        options = replace(
            options,
            temperature_limit_c=options.temperature_limit_c or limits.temperature_c,
            power_limit_w=options.power_limit_w or limits.power_w,
        )
    measured = [
        measure_file(request_of_log(capture, other, options, reading))
        for capture, other in zip(captures, sensors, strict=True)
    ]
    verdicts = [judge_endurance(read, run, rules) for read, run in measured]
    return measured, judge_in_turn(verdicts, rules)
