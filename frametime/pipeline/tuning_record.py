"""The files of tuning: the record, appended to so that no trial is lost, the logs of its trials, charts and reports.

A tuning step that freezes the machine may well do so while a trial is being noted. The record is therefore written
whole to a temporary name, forced to the disk and then renamed; what stood in it before is kept byte for byte.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from frametime.adapters.base import ReadOptions
from frametime.adapters.file_kind import classify_file
from frametime.caveats import Caveat, Weight
from frametime.errors import FrametimeError, ReadError, RecordError, printable
from frametime.metrics.options import MeasureOptions
from frametime.pipeline.measuring import MeasureRequest, measure_file, sensor_log_hint
from frametime.plans.folder_walk import files_below, path_from, sensor_log_beside
from frametime.replacing import alone_with, claiming, refuse_ending, write_bytes, write_text
from frametime.settings.toml_source import file_bytes
from frametime.tuning import new_trial
from frametime.tuning.next_trial import next_trial
from frametime.tuning.proposal import Proposal
from frametime.tuning.record import Axis, Outcome, Trial, TuningRecord
from frametime.tuning.record_text import TEMPLATE, parse_record_file, with_trial, without_last_trial
from frametime.words import counted

if TYPE_CHECKING:
    from frametime.capture import Capture
    from frametime.metrics.metric import MeasuredRun
    from frametime.pipeline.chart_files import ChartRequest
    from frametime.render.report.document import Report
    from frametime.tuning.endurance_verdict import EnduranceVerdict
    from frametime.tuning.tuning_summary import NotedTrial, TuningSummary


def measured_logs(
    trial: Trial, *, record: TuningRecord, folder: Path = Path(), reading: MeasureRequest | None = None
) -> list[new_trial.MeasuredLog]:
    """The logs of a trial, measured with its own power limit; ``folder`` is where its paths begin.

    Raises
    ------
    FrametimeError
        If a log or its sensor log cannot be used.
    """
    options, found = new_trial.options_of(record, trial), []
    for log, sensors in zip(trial.logs, trial.sensors or (None,) * len(trial.logs), strict=True):
        path = str(folder / log)
        request = _request(path, None if sensors is None else str(folder / sensors), options, reading)
        capture, run = measure_file(replace(request, keep_curves=False))
        name, hint = printable(path, limit=1000), sensor_log_hint(path, run)
        found.append(new_trial.judged_log(trial, capture, run, name=name, hint=hint))
    return found


def _request(log: str, sensors: str | None, options: MeasureOptions, reading: MeasureRequest | None) -> MeasureRequest:
    """What is to be measured of one log; ``reading`` says how it is read, where not everything is found in it."""
    if sensors not in (None, "-") and not Path(str(sensors)).exists():
        raise ReadError.at(str(sensors), "there is no such file", helps="correct the name: a record would keep it")
    reading = reading or MeasureRequest(path=log, read=ReadOptions())
    return replace(reading, path=log, measure=options, sensors=sensors)


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
        try:
            logs = measured_logs(trial, record=record, folder=folder)
        except (FrametimeError, OSError) as error:
            if trial.outcome is Outcome.PASSED:  # the log of a freeze is often cut off, and gives no speed
                message = f"Trial {at + 1} has no measured speed: {error}"
                caveats.append(Caveat(code="trial-log-unusable", message=message, weight=Weight.CARE))
            continue
        trials[at], told = new_trial.judged_trial(trial, logs, number=at + 1)
        caveats += told
    return replace(record, trials=tuple(trials)), tuple(caveats)


def read_record(path: str) -> TuningRecord:
    """The tuning record in the file ``path``.

    Raises
    ------
    RecordError
        If it cannot be read, or an entry is wrong.
    """
    return parse_record_file(_content(path), name=path)


def read_measured(path: str) -> tuple[TuningRecord, tuple[Caveat, ...]]:
    """The tuning record in the file ``path``, as `measured_record` gives it.

    Raises
    ------
    RecordError
    """
    return measured_record(read_record(path), Path(path).parent)


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
        after, record = with_trial(_content(path), trial, name=path)
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
        after, rest, trial = without_last_trial(_content(path), name=path)
        write_bytes(target, after, is_forced=True)
    return rest, trial


def _content(path: str) -> bytes:
    return file_bytes(path, RecordError, helps="frametime tune new begins one")


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
    folder = Path(path).parent
    with alone_with(Path(path)):  # or two at once could note one log, or one proposal, twice
        asked, record = new, read_record(path)
        step = next_trial(measured_record(record, folder)[0])
        if not asked.workload:
            new = new_trial.proposed_trial(asked, step, name=path)
            has_numbers = asked.logs or asked.average_fps or asked.outcome is not Outcome.PASSED
            if record.logs_folder is not None and not has_numbers and isinstance(step, Proposal):
                new = with_logs(new, _newest_logs(path, record, step.n_runs))
        trial = refuse_new(path, new, record)
        if asked.workload:
            new_trial.refuse_left_out(left_out, step, name=path)
        old = () if asked.logs else _finished_before(Path(path), new.logs)
        runs, caveats = _measured(new, record, reading)
        record = append_trial(path, new_trial.with_measurements(trial, runs))
    measured, more = measured_record(record, folder)
    return new_trial.noted(record, measured, (*old, *caveats, *more))


def refuse_new(path: str, new: Trial, record: TuningRecord) -> Trial:
    """The trial with its paths as the record in ``path`` holds them, where it takes it.

    Raises
    ------
    RecordError
    """
    beside = Path(path).resolve().parent
    logs, sensors = (tuple(path_from(Path(log), beside) for log in of_runs) for of_runs in (new.logs, new.sensors))
    new_trial.refuse_new(new, trial := replace(new, logs=logs, sensors=sensors), record, name=path)
    return trial


def _finished_before(record: Path, logs: Sequence[str]) -> tuple[Caveat, ...]:
    """That a log which was taken by itself is older than the last change of the record."""
    old = [printable(log, limit=1000) for log in logs if Path(log).stat().st_mtime_ns < record.stat().st_mtime_ns]
    helps = "if it is of another run, 'frametime tune undo' takes the trial back"
    message = f"{', '.join(old)}: finished before the record was last changed; {helps}"
    return (Caveat(code="trial-log-old", message=message, weight=Weight.CARE),) if old else ()


def with_logs(trial: Trial, logs: Sequence[Path]) -> Trial:
    """The trial with its logs, and with their sensor logs where each has one beside it by now."""
    sensors = [sensor_log_beside(log) for log in logs]
    return replace(trial, logs=tuple(map(str, logs)), sensors=tuple(map(str, sensors)) if all(sensors) else ())


def _newest_logs(path: str, record: TuningRecord, n_runs: int) -> list[Path]:
    folder = Path(path).parent / str(record.logs_folder)
    known = {log for trial in record.trials for log in trial.logs}
    try:
        new = sorted(
            (file.stat().st_mtime_ns, file)
            for file in files_below(folder)
            if classify_file(file).kind == "frames" and path_from(file, Path(path).parent) not in known
        )
    except OSError as error:
        raise RecordError.at(str(folder), f"cannot be read ({error.strerror})", helps="logs_folder names it") from error
    if len(new) < n_runs:
        found = f"{counted(len(new), 'new log')}, {counted(n_runs, 'run')} asked for"
        raise RecordError.at(str(folder), found, helps="give --log FILE, or --fps for a run without one")
    return [file for _, file in new[-n_runs:]]


def _measured(
    new: Trial, record: TuningRecord, reading: MeasureRequest | None
) -> tuple[list[new_trial.MeasuredLog], tuple[Caveat, ...]]:
    try:
        runs = measured_logs(new, record=record, reading=reading)
    except (FrametimeError, OSError) as error:
        if new.outcome is Outcome.PASSED:
            raise
        message = f"The trial is noted without numbers from its log: {error}"
        return [], (Caveat(code="trial-log-unusable", message=message, weight=Weight.NOTE),)
    if new.outcome is not Outcome.PASSED:
        return runs, ()  # a run that failed is short, and no speed is taken from it
    new_trial.refuse_logs(new, runs, record)
    return runs, tuple(caveat for run in runs for caveat in run.caveats)


def summarize_file(path: str) -> TuningSummary:
    """Read a tuning record, measure the logs that have no numbers yet, and judge it.

    Raises
    ------
    RecordError
    """
    from frametime.tuning.summarizing import summarize

    record, caveats = read_measured(path)
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

    A log that stands in the record is judged by the power limit of its trial.

    Raises
    ------
    FrametimeError
        If the record, a capture or its sensor log cannot be used.
    """
    from frametime.tuning.endurance_verdict import EnduranceRules, judge_endurance, judge_in_turn

    rules = EnduranceRules()
    if record is not None:
        known, beside = read_record(record), Path(record).resolve().parent
        made = {log: trial for trial in known.trials for log in trial.logs}
        trial = next((found for log in captures if (found := made.get(path_from(Path(log), beside)))), None)
        rules, options = EnduranceRules.of(known.steps), new_trial.options_of(known, trial, options)
    measured = [
        measure_file(_request(capture, other, options, reading))
        for capture, other in zip(captures, sensors, strict=True)
    ]
    return measured, judge_in_turn([judge_endurance(read, run, rules) for read, run in measured], rules)


REPORT_ENDINGS: Final = (".html", ".htm", ".md")
"""Of reports; the last is Markdown."""


def write_tuning_report(summary: TuningSummary, path: Path, *, force: bool = False) -> None:
    """Write the report of a tuning record.

    Raises
    ------
    OutputError
        If the name has another ending, the file is there already and ``force`` is not given, or it cannot be written.
    """
    from frametime.render.report.tuning_report import tuning_charts, tuning_report

    _write(tuning_report(summary, figures=() if _is_text(path) else tuning_charts(summary)), path, force=force)


def write_endurance_report(
    verdict: EnduranceVerdict, path: Path, *, measured: tuple[Capture, MeasuredRun] | None = None, force: bool = False
) -> None:
    """Write the report of one endurance run; with the capture and what was measured of it, its chart too.

    Raises
    ------
    OutputError
        As for `write_tuning_report`.
    """
    from frametime.render.report.tuning_report import endurance_chart, endurance_report

    figures = () if measured is None or _is_text(path) else (endurance_chart(*measured, verdict),)
    _write(endurance_report(verdict, figures=figures), path, force=force)


def _is_text(path: Path) -> bool:
    return path.suffix.lower() == ".md"


def _write(report: Report, path: Path, *, force: bool) -> None:
    from frametime.render.report.html import render_html
    from frametime.render.report.markdown import render_markdown

    refuse_ending(path, REPORT_ENDINGS, "report")
    render = render_markdown if _is_text(path) else render_html
    with claiming([path], force=force):
        write_text(path, render(report))


def write_tuning_charts(
    summary: TuningSummary, folder: Path, *, request: ChartRequest, force: bool = False
) -> tuple[Path, ...]:
    """Draw the charts of a tuning record into ``folder``.

    Parameters
    ----------
    summary : TuningSummary
    folder : Path
        Made where it is missing.
    request : ChartRequest
    force : bool
        Replace files that are there.

    Returns
    -------
    tuple of Path

    Raises
    ------
    OutputError
        If a file is there already and ``force`` is not set, or the folder cannot be written.
    """
    from frametime.pipeline.chart_files import write_figure_files
    from frametime.render.charts.tuning_charts import tuning_figures

    drawings = dict(tuning_figures(summary, request.theme_value(), only=request.only))
    paths = request.paths(folder, drawings)
    with claiming(paths, force=force, folder=folder):
        for name, drawing in drawings.items():
            write_figure_files(drawing(), folder, name, request)
    return paths
