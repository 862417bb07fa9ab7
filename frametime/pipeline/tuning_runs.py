"""The logs of tuning trials, measured."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from frametime.caveats import Caveat, Weight
from frametime.errors import FrametimeError, ReadError, printable
from frametime.metrics.options import MeasureOptions
from frametime.pipeline.measuring import MeasureRequest, slow_log_hint
from frametime.tuning.record import Limits, Outcome, Trial, TuningRecord
from frametime.words import counted

FREEZE_MS: Final = 500.0
"""A frame that takes longer is a freeze (common practice, no source)."""

if TYPE_CHECKING:
    from frametime.adapters.base import ReadOptions
    from frametime.adapters.sensors.sensor_log import SensorOptions
    from frametime.capture import Capture
    from frametime.metrics.frame_series import FrameSeries


@dataclass(frozen=True, kw_only=True)
class TrialReading:
    """How the logs of trials are read; the defaults find everything in the logs."""

    read: ReadOptions | None = None
    sensors: SensorOptions | None = None


def limits_options(limits: Limits) -> MeasureOptions:
    """Options of ``measure`` with the limits of a record."""
    return MeasureOptions(temperature_limit_c=limits.temperature_c, power_limit_w=limits.power_w)


@dataclass(frozen=True, kw_only=True)
class RunNumbers:
    """What a trial keeps of one measured run, ``None`` where there is no sensor log; and what speaks against it.

    ``against`` is what the log holds against a trial that is said to have passed.
    """

    duration_s: float
    average_fps: float | None
    average_power_w: float | None
    peak_temperature_c: float | None
    caveats: tuple[Caveat, ...] = ()
    against: tuple[str, ...] = ()


def numbers_of_log(
    log: str,
    sensors: str | None,
    *,
    options: MeasureOptions,
    reading: TrialReading | None = None,
    is_endurance: bool = False,
) -> RunNumbers:
    """The few numbers that a trial keeps of one log: a record has many logs, and no need of the rest.

    Raises
    ------
    FrametimeError
        If the log or its sensor log cannot be used.
    """
    from frametime.adapters.reading import read_capture
    from frametime.adapters.sensors.sensor_log import SensorOptions
    from frametime.adapters.sensors.sensor_trace import with_sensors
    from frametime.metrics.catalog.catalog import CATALOG
    from frametime.metrics.frame_series import FrameSeries
    from frametime.metrics.metric import Missing
    from frametime.metrics.quality import quality_caveats

    request = request_of_log(log, sensors, options, reading)
    capture = read_capture(request.path, options=request.read)
    if sensors is not None:
        capture = with_sensors(capture, sensors, options=request.sensor_options or SensorOptions())
    series = FrameSeries.of(capture, options)
    found = {key: CATALOG[key].compute(series) for key in ("average_fps", "average_power_w", "peak_temperature_c")}
    numbers = {key: None if isinstance(value, Missing) else value for key, value in found.items()}
    return RunNumbers(
        duration_s=series.duration_s,
        caveats=_doubts(log, numbers["average_fps"], (*capture.caveats, *quality_caveats(series))),
        against=_against(capture, series, is_endurance=is_endurance),
        **numbers,
    )


def _against(capture: Capture, series: FrameSeries, *, is_endurance: bool) -> tuple[str, ...]:
    """A freeze speaks against any run; against a long one all that its verdict finds."""
    from frametime.metrics.measure import measure
    from frametime.tuning.judging.criterion import EnduranceRules
    from frametime.tuning.judging.endurance_verdict import judge_endurance

    if is_endurance:
        return judge_endurance(capture, measure(capture, series.options)).against
    frozen_ms = series.frame_times_ms[series.frame_times_ms > FREEZE_MS]
    if frozen_ms.size <= EnduranceRules().max_freezes:
        return ()
    return (f"{counted(frozen_ms.size, 'frame')} over {FREEZE_MS:g} ms; the longest took {frozen_ms.max():.0f} ms",)


def _doubts(log: str, average_fps: float | None, caveats: Sequence[Caveat]) -> tuple[Caveat, ...]:
    """That a log is no capture, or that its run should be repeated; a record has no need of the lighter caveats."""
    hint = slow_log_hint(log, average_fps)
    if hint is not None:
        return (Caveat(code="trial-log-unusable", message=hint, weight=Weight.REPEAT),)
    return tuple(
        replace(caveat, message=f"{printable(log, limit=1000)}: repeat this run: {caveat.message}")
        for caveat in caveats
        if caveat.weight is Weight.REPEAT
    ) + tuple(caveat for caveat in caveats if caveat.code == "sensors-unusable")


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


def with_measurements(trial: Trial, runs: Sequence[RunNumbers]) -> Trial:
    """The trial with the speed, power and temperature of its measured runs.

    Power is taken only where every run has it, so that run and power stay side by side.
    """
    fps = tuple(run.average_fps for run in runs)
    power_w = tuple(run.average_power_w for run in runs)
    known_c = [run.peak_temperature_c for run in runs if run.peak_temperature_c is not None]
    return replace(
        trial,
        average_fps=tuple(_rounded(value) for value in fps if value is not None),
        average_power_w=tuple(_rounded(value) for value in power_w if value is not None) if None not in power_w else (),
        peak_temperature_c=max(known_c, default=trial.peak_temperature_c),
    )


def measured_record(record: TuningRecord, folder: Path) -> tuple[TuningRecord, tuple[Caveat, ...]]:
    """The record with every trial measured that has logs and no numbers yet; ``folder`` is where its paths begin.

    A log of a passed trial that cannot be used is a caveat: the trial itself still counts. One that contradicts it is a
    caveat too, and the trial counts as failed.
    """
    trials: list[Trial] = []
    caveats: list[Caveat] = []
    options = limits_options(record.limits)
    for number, trial in enumerate(record.trials, start=1):
        if not trial.logs or trial.average_fps:
            trials.append(trial)
            continue
        sensors = trial.sensors or (None,) * len(trial.logs)
        try:
            runs = [
                numbers_of_log(
                    str(folder / log),
                    None if other is None else str(folder / other),
                    options=options,
                    is_endurance=trial.is_endurance,
                )
                for log, other in zip(trial.logs, sensors, strict=True)
            ]
            measured = with_measurements(trial, runs)
            if trial.outcome is Outcome.PASSED and (against := [told for run in runs for told in run.against]):
                measured = replace(measured, outcome=Outcome.DOES_NOT_HOLD)
                message = f"Trial {number} is noted as passed, and its log says otherwise: {'; '.join(against)}."
                caveats.append(Caveat(code="trial-log-contradicts", message=message, weight=Weight.REPEAT))
            trials.append(measured)
            if trial.outcome is Outcome.PASSED:
                caveats += [caveat for run in runs for caveat in run.caveats]
        except (FrametimeError, OSError) as error:
            trials.append(trial)
            if trial.outcome is not Outcome.PASSED:
                continue  # the log of a freeze is often cut off, and no speed is taken from a failed trial
            message = f"Trial {number} has no measured speed: {error}"
            caveats.append(Caveat(code="trial-log-unusable", message=message, weight=Weight.CARE))
    return replace(record, trials=tuple(trials)), tuple(caveats)


def _rounded(value: float) -> float:
    """Seven significant digits: far below what runs scatter, and readable in the record."""
    return round(value, 6 - math.floor(math.log10(abs(value)))) if value else value
