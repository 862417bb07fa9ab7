"""Cut a capture to the part that is to be measured; never without saying so."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

import numpy as np

from frametime.adapters.arrow_columns import numpy_of
from frametime.capture import TIME_COLUMN, Capture
from frametime.caveats import Caveat, Weight
from frametime.errors import ReadError
from frametime.units import NS_PER_S


def cut_capture(
    capture: Capture,
    *,
    skip_start_s: float = 0.0,
    skip_end_s: float = 0.0,
    from_s: float | None = None,
    to_s: float | None = None,
) -> Capture:
    """The part of a capture between two times; a frame belongs to it when all of it lies inside.

    Parameters
    ----------
    capture : Capture
    skip_start_s, skip_end_s : float
        Seconds taken off the start and the end.
    from_s, to_s : float or None
        Start and end of the part, in seconds since the start of the first frame of the whole capture.

    Returns
    -------
    Capture
        With a caveat ``capture-cut`` and the cut in ``provenance.options``; the same capture if nothing is cut.
        Sensors are kept as they are: metrics use the samples that lie inside.

    Raises
    ------
    ReadError
        If fewer than two frames are left.
    """
    given = {
        name: value
        for name, value in (
            ("skip_start_s", skip_start_s or None),
            ("skip_end_s", skip_end_s or None),
            ("from_s", from_s),
            ("to_s", to_s),
        )
        if value is not None
    }
    if not given:
        return capture
    for name, value in given.items():
        if not np.isfinite(value) or (name.startswith("skip") and value < 0):
            raise ValueError(f"{name} must be a number of seconds, got {value!r}")
    stamps = np.asarray(numpy_of(capture.frames.column(TIME_COLUMN)), dtype=np.int64)
    start_ns = max(round(skip_start_s * NS_PER_S), round((from_s or 0.0) * NS_PER_S))
    length_ns = int(stamps[-1]) - int(stamps[0])
    end_ns = length_ns - round(skip_end_s * NS_PER_S)
    if to_s is not None:
        end_ns = min(end_ns, round(to_s * NS_PER_S))
    elapsed = stamps - stamps[0]
    first, last = (int(i) for i in np.searchsorted(elapsed, [start_ns, end_ns + 1]))
    options = ", ".join(f"{name.removesuffix('_s').replace('_', ' ')} {value:g} s" for name, value in given.items())
    if last - first < 3:
        raise ReadError.at(
            capture.provenance.file_name,
            f"the cut ({options}) leaves {max(0, last - first - 1)} of {capture.n_frames} frames",
            helps=f"the capture is {length_ns / NS_PER_S:.3f} s long: cut less",
        )
    caveat = Caveat(
        code="capture-cut",
        message=f"Cut as told ({options}): {last - first - 1} of {capture.n_frames} frames are left, "
        f"{(int(stamps[last - 1]) - int(stamps[first])) / NS_PER_S:.3f} of {length_ns / NS_PER_S:.3f} s.",
        weight=Weight.NOTE,
    )
    merged = {**capture.provenance.options, **{name: f"{value:g}" for name, value in given.items()}}
    return replace(
        capture,
        frames=capture.frames.slice(first, last - first),
        provenance=replace(capture.provenance, options=MappingProxyType(merged)),
        caveats=(*capture.caveats, caveat),
    )
