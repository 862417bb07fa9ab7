"""What the numbers of the frames say of a log: frames that were not logged, rows that stand twice, joined logs."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.caveats import Caveat, Weight
from frametime.errors import ReadError
from frametime.words import counted

_MOSTLY: Final = 0.9
_MANY_MISSING: Final = 0.01
"""Share of frames that are missing, or rows out of order, from which the run is to be repeated (common practice)."""


class NumberedRows(NamedTuple):
    """Rows to keep (``None``: all), and what is to be told of them."""

    kept: NDArray[np.int64] | None
    caveats: tuple[Caveat, ...]


def check_frame_numbers(
    numbers: NDArray[np.int64],
    times: tuple[NDArray[np.int64], ...],
    *,
    has_lengths: bool,
    name: str,
    line_of: Callable[[int], int],
) -> NumberedRows:
    """Hold the rows against the numbers of their frames.

    Parameters
    ----------
    numbers : ndarray of int64
        In the order of the rows.
    times : tuple of ndarray of int64
        The columns of times of the same rows.
    has_lengths : bool
        Whether the rows tell the length of their frame; timestamps alone give the time since the row before.
    name : str
        Of the log, for messages.
    line_of : callable
        Row to line in the file.

    Raises
    ------
    ReadError
        If timestamps alone stand in a log that leaves out frames regularly.
    """
    steps = np.diff(numbers)
    if not steps.size or (steps == 1).all():
        return NumberedRows(None, ())
    again = steps == 0
    if again.any() and all((np.diff(column)[again] == 0).all() for column in times):
        kept = np.flatnonzero(np.concatenate([[True], ~again]))
        rest = check_frame_numbers(
            numbers[kept],
            tuple(column[kept] for column in times),
            has_lengths=has_lengths,
            name=name,
            line_of=lambda row: line_of(int(kept[row])),
        )
        count = int(np.count_nonzero(again))
        said = (
            f"{counted(count, 'row stands', 'rows stand')} twice, with the same frame number and times; left out once."
        )
        return NumberedRows(kept if rest.kept is None else kept[rest.kept], (_caveat(said), *rest.caveats))
    usual = int(np.median(steps))
    if usual > 1 and np.count_nonzero(steps == usual) >= _MOSTLY * steps.size:
        if not has_lengths:
            raise ReadError.at(
                name,
                f"frame numbers go up by {usual}: only every {usual}th frame is logged, and its time since the row "
                "before is that of several frames",
                helps="log every frame, or the length of each",
            )
        return NumberedRows(None, (_caveat(f"Frame numbers go up by {usual}: one frame of {usual} is logged."),))
    return NumberedRows(None, _gaps_and_restarts(steps, numbers, line_of))


def _gaps_and_restarts(
    steps: NDArray[np.int64], numbers: NDArray[np.int64], line_of: Callable[[int], int]
) -> tuple[Caveat, ...]:
    back, ahead, same = np.flatnonzero(steps < 0), np.flatnonzero(steps > 1), np.flatnonzero(steps == 0)
    if back.size > max(3, steps.size // 100):
        said = f"Rows do not stand in the order of their frame numbers ({counted(back.size, 'step')} back)."
        return (_caveat(said, Weight.REPEAT),)
    caveats = []
    if back.size:
        line = line_of(int(back[0]) + 1)
        said = f"Frame numbers begin again at line {line}: several recordings may have been joined."
        caveats.append(_caveat(said, Weight.REPEAT))
    if ahead.size:
        missing = int((steps[ahead] - 1).sum())
        first = int(ahead[0])
        many = missing > _MANY_MISSING * steps.size
        said = (
            f"{counted(missing, 'frame number is', 'frame numbers are')} missing, first after {int(numbers[first])} "
            f"(line {line_of(first)}): these frames were not logged."
        )
        caveats.append(_caveat(said, Weight.REPEAT if many else Weight.CARE))
    if same.size:
        rows = counted(int(same.size), "row has", "rows have")
        caveats.append(_caveat(f"{rows} the frame number of the row before, with another time."))
    return tuple(caveats)


def _caveat(message: str, weight: Weight = Weight.CARE) -> Caveat:
    return Caveat(code="frame-numbers", message=message, weight=weight)
