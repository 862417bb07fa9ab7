"""What the numbers of the frames say of a log: frames that were not logged, rows that stand twice, joined logs."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.frames.frame_columns import ReadColumns
from frametime.caveats import Caveat, Weight
from frametime.errors import ReadError
from frametime.words import counted

_MOSTLY: Final = 0.9
_MANY_MISSING: Final = 0.01
"""Share of frames that are missing, or rows out of order, from which the run is to be repeated (common practice)."""


def check_frame_numbers(
    name: str, columns: ReadColumns, kept: NDArray[np.int64]
) -> tuple[NDArray[np.int64], tuple[Caveat, ...]]:
    """Hold the rows that are ``kept`` against the numbers of their frames: those that are left, and what is to be told.

    Raises
    ------
    ReadError
        If timestamps alone stand in a log that leaves out frames regularly.
    """
    number = columns.number
    if number is None or not (number.ok is None or number.ok[kept].all()):
        return kept, ()
    numbers = number.ns[kept]
    steps = np.diff(numbers)
    if not steps.size or (steps == 1).all():
        return kept, ()
    again = steps == 0
    times = [columns.times[role].ns[kept] for role in ("time", "frame_time") if role in columns.times]
    if again.any() and all((np.diff(column)[again] == 0).all() for column in times):
        fewer, rest = check_frame_numbers(name, columns, np.delete(kept, np.flatnonzero(again) + 1))
        rows = counted(int(np.count_nonzero(again)), "row stands", "rows stand")
        return fewer, (_caveat(f"{rows} twice, with the same frame number and times; left out once."), *rest)
    usual = int(np.median(steps))
    if usual > 1 and np.count_nonzero(steps == usual) >= _MOSTLY * steps.size:
        if "frame_time" not in columns.times:
            found = f"frame numbers go up by {usual}: only every {usual}th frame is logged, and its time since the row "
            helps = "log every frame, or the length of each"
            raise ReadError.at(name, f"{found}before is that of several frames", helps=helps)
        return kept, (_caveat(f"Frame numbers go up by {usual}: one frame of {usual} is logged."),)
    return kept, _gaps_and_restarts(steps, numbers, columns, kept)


def _gaps_and_restarts(
    steps: NDArray[np.int64], numbers: NDArray[np.int64], columns: ReadColumns, kept: NDArray[np.int64]
) -> tuple[Caveat, ...]:
    back, ahead, same = np.flatnonzero(steps < 0), np.flatnonzero(steps > 1), np.flatnonzero(steps == 0)
    if back.size > max(3, steps.size // 100):
        said = f"Rows do not stand in the order of their frame numbers ({counted(back.size, 'step')} back)."
        return (_caveat(said, Weight.REPEAT),)
    caveats = []
    if back.size:
        line = columns.line_of(int(kept[back[0] + 1]))
        said = f"Frame numbers begin again at line {line}: several recordings may have been joined."
        caveats.append(_caveat(said, Weight.REPEAT))
    if ahead.size:
        missing = int((steps[ahead] - 1).sum())
        first = int(ahead[0])
        many = missing > _MANY_MISSING * steps.size
        said = (
            f"{counted(missing, 'frame number is', 'frame numbers are')} missing, first after {int(numbers[first])} "
            f"(line {columns.line_of(int(kept[first]))}): these frames were not logged."
        )
        caveats.append(_caveat(said, Weight.REPEAT if many else Weight.CARE))
    if same.size:
        rows = counted(int(same.size), "row has", "rows have")
        caveats.append(_caveat(f"{rows} the frame number of the row before, with another time."))
    return tuple(caveats)


def _caveat(message: str, weight: Weight = Weight.CARE) -> Caveat:
    return Caveat(code="frame-numbers", message=message, weight=weight)
