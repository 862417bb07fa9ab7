"""The place of each run in a sensor log that several runs share, where nothing says when they were made.

Runs are laid over the stretches of load of that log by the order in which their files were last changed, or by their
lengths: only where there is just one way in which they can lie.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.sensors.sensor_log import CLOCKS_GUESSED, SENSORS_UNUSABLE, SensorOptions
from frametime.capture import TIME_COLUMN
from frametime.errors import FrametimeError
from frametime.pipeline.measuring import MeasureOutcome, MeasureRequest
from frametime.review.run_set import natural_order

if TYPE_CHECKING:
    from frametime.adapters.sensors.sensor_trace import Place

_MOST_ODD: Final = 0.2
"""So many runs of a log may have no place of their own (common practice, no source)."""
_LATE_FRACTION: Final = 0.5
"""Files were closed one after another, as they were recorded, where each came later than half its own length."""


class _Run(NamedTuple):
    """A capture as far as its place needs it: name, cell, run, first time, length, last change."""

    name: str
    cell: str
    run: str
    first_s: float
    duration_s: float
    changed_s: float


def with_session_places(
    requests: Mapping[str, MeasureRequest], outcomes: Mapping[str, MeasureOutcome]
) -> dict[str, MeasureRequest]:
    """Requests to measure again, by the names of their runs: each with its place in the sensor log that it shares.

    Only logs of which no run has a sure place are looked at. Where files' last changes put some runs at a place and
    others at none, they are trusted for none.
    """
    shared: dict[str, list[str]] = {}
    for name, request in requests.items():
        if request.sensors is not None and outcomes[name].run is not None:
            shared.setdefault(request.sensors, []).append(name)
    found: dict[str, MeasureRequest] = {}
    for log, names in shared.items():
        codes = [_standing(outcomes[name]) for name in names]
        if len(names) == 1 or SENSORS_UNUSABLE not in codes or "" in codes:
            continue
        if codes.count(SENSORS_UNUSABLE) <= _MOST_ODD * len(codes):
            continue
        placed = _placed(log, names, requests)
        guessed = [name for name, code in zip(names, codes, strict=True) if code == CLOCKS_GUESSED]
        found |= placed or {name: _with_options(requests[name], trusts_file_time=False) for name in guessed}
    return found


def _standing(outcome: MeasureOutcome) -> str:
    """The code that says that a run has no samples, or at a place that was guessed; empty for any other."""
    codes = {caveat.code for caveat in outcome.run.caveats} if outcome.run is not None else set()
    return next((code for code in (SENSORS_UNUSABLE, CLOCKS_GUESSED) if code in codes), "")


def _with_options(request: MeasureRequest, **changed: Any) -> MeasureRequest:
    return replace(request, sensor_options=replace(request.sensor_options or SensorOptions(), **changed))


def _placed(log: str, names: Sequence[str], requests: Mapping[str, MeasureRequest]) -> dict[str, MeasureRequest]:
    from frametime.adapters.sensors.sensor_trace import loads_of, samples_in_order, stretches

    options = requests[names[0]].sensor_options or SensorOptions()
    if options.offset_s is not None:
        return {}
    try:
        times_s, values = samples_in_order(log, options)
        runs = [_run(name, requests[name]) for name in names]
    except (FrametimeError, OSError):
        return {}
    ordered = _in_order_made(runs)
    for loaded in loads_of(values).values():
        step_s = float(np.median(np.diff(times_s)))
        spans = [span for span in stretches(times_s, loaded) if span[1] - span[0] > 2.0 * step_s]
        places = _places(spans, ordered or runs, step_s, is_ordered=ordered is not None)
        if places is not None:
            return {
                run.name: _with_options(
                    requests[run.name], offset_s=place.start_s - run.first_s, offset_doubt_s=place.doubt_s
                )
                for run, place in places
            }
    return {}


def _run(name: str, request: MeasureRequest) -> _Run:
    from frametime.adapters.reading import read_capture

    whole = replace(request.read, skip_start_s=0.0, skip_end_s=0.0)
    stamps = read_capture(request.path, options=whole, use_threads=False).frames.column(TIME_COLUMN)
    first_s, last_s = (stamps[place].as_py() / 1e9 for place in (0, len(stamps) - 1))
    made = request.conditions
    cell = "/".join(str(part) for part in (made.card, made.scene, made.resolution))
    return _Run(name, cell, made.run or "", first_s, last_s - first_s, Path(request.path).stat().st_mtime_ns / 1e9)


def _in_order_made(runs: Sequence[_Run]) -> list[_Run] | None:
    """The runs in the order of the last changes of their files, if that can be the order in which they were made."""
    ordered = sorted(runs, key=lambda run: run.changed_s)
    gaps = ((run.changed_s - before.changed_s, run.duration_s) for before, run in pairwise(ordered))
    return ordered if all(gap_s >= _LATE_FRACTION * duration_s for gap_s, duration_s in gaps) else None


def _places(
    spans: Sequence[tuple[float, float]], runs: Sequence[_Run], step_s: float, *, is_ordered: bool
) -> list[tuple[_Run, Place]] | None:
    """Each run with its place in the one way in which they can lie over the stretches of load, if there is just one."""
    from frametime.adapters.sensors.sensor_trace import Place, spare_of

    spare = np.array([[spare_of(end - start, run.duration_s, step_s) for start, end in spans] for run in runs])
    chosen = _only_in_order(~np.isnan(spare)) if is_ordered else _only_by_length(~np.isnan(spare), runs)
    if chosen is None:
        return None
    half_s = (0.5 * spare[range(len(runs)), chosen]).tolist()
    return [
        (run, Place(spans[at][0] + half, half + step_s)) for run, at, half in zip(runs, chosen, half_s, strict=True)
    ]


def _only_in_order(fits: NDArray[np.bool_]) -> list[int] | None:
    """The one rising choice of a stretch for each run: the earliest, where it is the latest as well."""
    first, last = _first_fit(fits), _first_fit(fits[::-1, ::-1])
    latest = None if last is None else [fits.shape[1] - 1 - at for at in reversed(last)]
    return first if first == latest else None


def _first_fit(fits: NDArray[np.bool_]) -> list[int] | None:
    """A rising choice of a stretch for each run, each as early as can be; ``None`` where there is none."""
    chosen: list[int] = []
    for row in fits:
        first = chosen[-1] + 1 if chosen else 0
        if not row[first:].any():
            return None
        chosen.append(first + int(np.argmax(row[first:])))
    return chosen


def _only_by_length(fits: NDArray[np.bool_], runs: Sequence[_Run]) -> list[int] | None:
    """Runs of one cell, in the order of their numbers, over as many stretches that fit them and no other cell."""
    chosen: dict[int, int] = {}
    for cell in {run.cell for run in runs}:
        members = [i for i, run in enumerate(runs) if run.cell == cell]
        members.sort(key=lambda i: natural_order(runs[i].run))
        places = np.flatnonzero(fits[members].any(axis=0))
        others = [i for i in range(len(runs)) if i not in members]
        if len(places) != len(members) or not fits[members][:, places].all() or fits[others][:, places].any():
            return None
        chosen |= dict(zip(members, places.tolist(), strict=True))
    return [chosen[i] for i in range(len(runs))]
