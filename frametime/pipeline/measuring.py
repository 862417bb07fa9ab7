"""One file to a measured run: the one place where reading, cutting and measuring are put together."""

from __future__ import annotations

import hashlib
import os
import re
import shlex
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

from frametime.capture import Capture, Conditions, cut_capture
from frametime.caveats import Caveat, Weight
from frametime.errors import FrametimeError, ReadError, printable
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import MeasuredRun
from frametime.metrics.options import MeasureOptions
from frametime.words import COMMAND, command_line, counted, first_of

if TYPE_CHECKING:
    from frametime.adapters.base import ReadOptions
    from frametime.adapters.sensors.sensor_log import SensorOptions


@dataclass(frozen=True, kw_only=True)
class MeasureRequest:
    """One file and all that is needed to measure it.

    Attributes
    ----------
    path : str
        File of the capture, ``-`` for standard input.
    read : ReadOptions
    measure : MeasureOptions
    conditions : Conditions
    sensors : str or None
        Sensor log that belongs to the capture.
    sensors_are_found : bool
        It was found by its name, which is told.
    sensor_options : SensorOptions or None
    skip_start_auto : bool
        Leave out the warm-up that is found at the start.
    segment : int, 'longest' or None
        Measure one segment of the capture only, by its number or the longest stretch of play.
    keep_curves : bool
        Keep the curves for charts in the measured run.
    """

    path: str
    read: ReadOptions
    measure: MeasureOptions = field(default_factory=MeasureOptions)
    conditions: Conditions = field(default_factory=Conditions)
    sensors: str | None = None
    sensors_are_found: bool = False
    sensor_options: SensorOptions | None = None
    skip_start_auto: bool = False
    segment: int | Literal["longest"] | None = None
    keep_curves: bool = True


class MeasureOutcome(NamedTuple):
    """What became of a request: a measured run, or the reason why there is none.

    ``sensors_sha256`` is of the bytes of the sensor log that was read.
    """

    request: MeasureRequest
    run: MeasuredRun | None
    error: str | None
    sensors_sha256: str | None = None

    def error_for(self, name: str, folder: os.PathLike[str]) -> str | None:
        """The reason with the names of the files below ``folder``, the same wherever that lies.

        A command that settles how a log is read keeps that beside the log: only so does it count for a whole folder.

        Parameters
        ----------
        name : str
            Of the capture, as a reader shall see it.
        folder : path
            What is taken off the path of the sensor log.
        """
        if self.error is None:
            return None
        shown = {self.request.path: name}
        if self.request.sensors is not None:
            shown[self.request.sensors] = os.path.relpath(self.request.sensors, folder).replace(os.sep, "/")
        error = COMMAND.sub(partial(_remembering, name), self.error)
        is_settled = error != self.error
        # The longest first: the name of the capture may be the beginning of that of its sensor log.
        for path in sorted(shown, key=len, reverse=True):
            error = error.replace(printable(path), printable(shown[path]))
        return f"{error}  in the folder of the captures" if is_settled else error


def _remembering(name: str, found: re.Match[str]) -> str:
    """A command that reads a log, by this name, and keeps beside the log how."""
    words = shlex.split(found[1])
    return f"  {command_line([*words[:2], printable(name, limit=1000), *words[3:], '--remember'])}"


def measure_file(
    request: MeasureRequest, *, use_threads: bool = True, sensor_weight: Weight = Weight.CARE
) -> tuple[Capture, MeasuredRun]:
    """Read, cut and measure one file.

    A sensor log that cannot be used takes away its own numbers alone, with a caveat of ``sensor_weight``.

    Raises
    ------
    FrametimeError
        If the capture cannot be used.
    """
    from frametime.metrics.measure import measure

    capture = read_part(request, use_threads=use_threads, sensor_weight=sensor_weight)
    return capture, measure(capture, request.measure, with_curves=request.keep_curves)


def read_part(request: MeasureRequest, *, use_threads: bool = True, sensor_weight: Weight = Weight.CARE) -> Capture:
    """Read one file and cut it to what is to be measured; as in `measure_file`.

    Raises
    ------
    FrametimeError
        If the capture cannot be used.
    """
    from frametime.adapters.reading import read_capture

    capture = read_capture(request.path, options=request.read, conditions=request.conditions, use_threads=use_threads)
    if request.sensors is not None:
        from frametime.adapters.sensors.sensor_log import SensorOptions
        from frametime.adapters.sensors.sensor_trace import with_sensors

        options = request.sensor_options or SensorOptions()
        capture = with_sensors(capture, request.sensors, options=options, weight=sensor_weight)
        # By its name alone: the same run says the same wherever its folder lies.
        name, typed = printable(Path(request.sensors).name), printable(request.sensors, limit=1000)
        said = [replace(caveat, message=caveat.message.replace(typed, name)) for caveat in capture.caveats]
        if request.sensors_are_found:
            message = f"The sensor log {name} lies beside the capture under its name, and is read with it."
            said.append(Caveat(code="sensors-found-beside", message=message, weight=Weight.NOTE))
        capture = replace(capture, caveats=tuple(said))
    return _part_of(capture, request) if request.segment is not None or request.skip_start_auto else capture


def _part_of(capture: Capture, request: MeasureRequest) -> Capture:
    """The segment that was asked for, without the warm-up where that is to be left out."""
    from frametime.metrics.drift.drift import drift_of
    from frametime.metrics.drift.segments import choose_segment, segments_of

    if request.segment is not None:
        try:
            chosen = choose_segment(segments_of(FrameSeries.of(capture, request.measure)), request.segment)
        except ValueError as error:
            raise ReadError.at(request.path, str(error), helps="'frametime check --json' lists the segments") from error
        capture = cut_capture(capture, from_s=chosen.start_s, to_s=chosen.end_s)
    warm_up = drift_of(FrameSeries.of(capture, request.measure)).warm_up if request.skip_start_auto else None
    return capture if warm_up is None else cut_capture(capture, skip_start_s=warm_up.skip_s)


_SLOW_FPS: Final = 20.0
"""Below it a log is looked at once more: sensors are sampled up to about so many times a second."""


def sensor_log_hint(path: str, run: MeasuredRun, *, name: str | None = None) -> str | None:
    """What to say of a sensor log that was given as a capture, whose samples count as frames; ``None`` for any other.

    Only a log as slow as one is looked at. It is called by its ``name``, where that is not its path.
    """
    average_fps = run.values["average_fps"].value
    if path == "-" or average_fps is None or average_fps > _SLOW_FPS:
        return None
    from frametime.adapters.file_kind import classify_file

    if classify_file(path).kind != "sensors":
        return None
    return (
        f"{printable(name or path, limit=1000)}: this looks like a sensor log, whose samples are taken for frames; "
        "give it beside its capture, as with check --sensors (in a plan: sensors)"
    )


def measure_one(request: MeasureRequest) -> MeasureOutcome:
    """`measure_file` with the error as a value. One thread: the files of a folder share the cores."""
    try:
        return measure_unless_full(request)
    except MemoryError:
        return failure(request, "there is not enough memory to measure it", "measure a part of it")


def measure_unless_full(request: MeasureRequest) -> MeasureOutcome:
    """The same, but for a lack of memory.

    Raises
    ------
    MemoryError
    """
    try:
        if Path(request.path).is_fifo():  # reading it would wait for a writer that may never come
            raise ReadError.at(request.path, "this is a pipe, not a file", helps="read it with 'frametime check'")
        # Of many files one caveat tells of all sensor logs that could not be used.
        capture, run = measure_file(request, use_threads=False, sensor_weight=Weight.NOTE)
    except (FrametimeError, OSError) as error:
        if isinstance(error.__context__, MemoryError):  # what a reader made of it knows of no limit of a worker
            raise MemoryError from error
        return MeasureOutcome(request=request, run=None, error=printable(str(error), limit=2000))
    sensors = capture.sensors if request.sensors is not None and unusable_sensors(run) is None else None
    sensors_sha256 = None if sensors is None else sensors.provenance.sha256
    return MeasureOutcome(request=request, run=run, error=None, sensors_sha256=sensors_sha256)


def failure(request: MeasureRequest, found: str, helps: str | None) -> MeasureOutcome:
    """What becomes of a file that takes too much, with its size."""
    with suppress(OSError):
        found += f" ({Path(request.path).stat().st_size} bytes stored)"
    return MeasureOutcome(request=request, run=None, error=str(ReadError.at(request.path, found, helps=helps)))


def unusable_sensors(run: MeasuredRun) -> str | None:
    """Why the sensor log of a run could not be used; ``None`` where it could, or there is none."""
    from frametime.adapters.sensors.sensor_log import SENSORS_UNUSABLE

    return next((caveat.message for caveat in run.caveats if caveat.code == SENSORS_UNUSABLE), None)


def sensors_caveat(reasons: Sequence[tuple[str, str]], n_runs: int) -> tuple[Caveat, ...]:
    """One caveat for all runs whose sensor log could not be used; ``reasons`` are their names and why.

    Reasons that differ in names, times and numbers alone are one, told with the first of them.
    """
    from frametime.review.sentence import caveat_of

    alike: dict[str, list[tuple[str, str]]] = {}
    for name, why in reasons:
        words = re.sub(r"\([^()]*\)|'[^']*'|\S*[\d/\\]\S*", "", why.partition(": ")[2].partition(": ")[2] or why)
        alike.setdefault(words, []).append((name, why))
    told = [
        (f"{counted(len(same), 'run')}, such as " if len(alike) > 1 else "Such as " if len(same) > 1 else "")
        + f"{printable(same[0][0])}: {same[0][1].partition(': ')[2].rstrip('.')}"
        for same in alike.values()
    ]
    shown = first_of(told, _SHOWN_REASONS, "; ")
    return (caveat_of("sensors-unusable", n=len(reasons), n_runs=n_runs, shown=shown),) if reasons else ()


_SHOWN_REASONS: Final = 3


def layouts_sha256(capture: Path) -> str | None:
    """SHA-256 of the file of layouts beside a capture; ``None`` where there is none that can be read."""
    from frametime.adapters.columns.layout import layouts_beside

    beside = layouts_beside(str(capture))
    try:
        return None if beside is None else file_sha256(beside)
    except OSError:
        return None


def file_sha256(path: Path) -> str:
    """SHA-256 of the bytes of a file, in hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
