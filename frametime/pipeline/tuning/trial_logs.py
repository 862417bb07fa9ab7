"""The logs of tuning trials, measured."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from frametime.caveats import Caveat, Weight
from frametime.errors import FrametimeError, ReadError, printable
from frametime.metrics.metric import MeasuredRun
from frametime.metrics.options import MeasureOptions
from frametime.pipeline.measuring import MeasureRequest, measure_file, sensor_log_hint
from frametime.tuning.record import Limits, Outcome, Trial, TuningRecord
from frametime.words import counted

if TYPE_CHECKING:
    from frametime.adapters.base import ReadOptions
    from frametime.adapters.sensors.sensor_log import SensorOptions


@dataclass(frozen=True, kw_only=True)
class TrialReading:
    """How the logs of trials are read; the defaults find everything in the logs."""

    read: ReadOptions | None = None
    sensors: SensorOptions | None = None


def limits_options(limits: Limits) -> MeasureOptions:
    """Options of ``measure`` with the limits of a record."""
    return MeasureOptions(temperature_limit_c=limits.temperature_c, power_limit_w=limits.power_w)


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
    trial: Trial, *, options: MeasureOptions, folder: Path = Path(), reading: TrialReading | None = None
) -> list[MeasuredLog]:
    """The logs of a trial, measured; ``folder`` is where its paths begin.

    Raises
    ------
    FrametimeError
        If a log or its sensor log cannot be used.
    """
    from frametime.tuning.endurance_verdict import judge_endurance

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
    from frametime.tuning.criteria import EnduranceRules

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
    log: str, sensors: str | None, options: MeasureOptions, reading: TrialReading | None
) -> MeasureRequest:
    """What is to be measured of one log."""
    from frametime.adapters.base import ReadOptions

    reading = TrialReading() if reading is None else reading
    if sensors not in (None, "-") and not Path(str(sensors)).exists():
        raise ReadError.at(str(sensors), "there is no such file", helps="correct the name: a record would keep it")
    return MeasureRequest(
        path=log,
        read=reading.read or ReadOptions(),
        measure=options,
        sensors=sensors,
        sensor_options=reading.sensors,
    )


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
            runs = measured_logs(trial, options=limits_options(record.limits), folder=folder)
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
    return round(value, 6 - math.floor(math.log10(abs(value)))) if value else value
