"""Frame times of runs, packed small enough to lie in a page.

Each run becomes a number of equal steps of time, each with its least and its greatest frame time, in whole
microseconds as unsigned 32-bit integers: first all least, then all greatest. The bytes are put in order of their
place in the integer (all lowest bytes first), which lets the high, mostly zero bytes shrink to nothing, deflated,
and written in base64. A step in which no frame ended is 0 in both: a gap in the line.
"""

from __future__ import annotations

import base64
import zlib
from typing import Final

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.metric import Curve
from frametime.render.report.document import Trace

STEPS: Final = (1200, 900, 600, 450, 300, 220, 160, 120)
"""Numbers of steps a run, finest first; the first that fits the page is taken."""


def envelope(low: Curve, high: Curve, *, duration_s: float, n_steps: int) -> tuple[NDArray[np.uint32], ...]:
    """Least and greatest frame time of each of ``n_steps`` equal steps, in microseconds.

    No extreme is lost: a step keeps the least of the least and the greatest of the greatest.

    Parameters
    ----------
    low, high : Curve
        Elapsed time in s to least and greatest frame time in ms.
    duration_s : float
    n_steps : int

    Returns
    -------
    tuple of two ndarray of uint32, shape (n_steps,)
    """
    if not duration_s > 0.0:
        raise ValueError(f"duration_s must be positive, got {duration_s!r}")
    times_s = np.asarray(low.x, dtype=np.float64)
    place = np.clip((times_s / duration_s * n_steps).astype(np.int64), 0, n_steps - 1)
    least = np.full(n_steps, np.inf)
    np.minimum.at(least, place, np.asarray(low.y, dtype=np.float64))
    greatest = np.zeros(n_steps)
    np.maximum.at(greatest, place, np.asarray(high.y, dtype=np.float64))
    least[~np.isfinite(least)] = 0.0
    return tuple(np.rint(side * 1000.0).astype(np.uint32) for side in (least, greatest))


def pack(sides: tuple[NDArray[np.uint32], ...]) -> str:
    """Integers as deflated base64; see the head of this module."""
    ordered = np.concatenate(sides).astype("<u4")
    planes = ordered.view(np.uint8).reshape(-1, 4).T.copy()
    return base64.b64encode(zlib.compress(planes.tobytes(), 9)).decode("ascii")


def unpack(packed: str) -> tuple[NDArray[np.uint32], NDArray[np.uint32]]:
    """The way back, for tests and for other readers of a page."""
    planes = np.frombuffer(zlib.decompress(base64.b64decode(packed)), dtype=np.uint8).reshape(4, -1)
    values = planes.T.copy().view("<u4").ravel()
    half = len(values) // 2
    return values[:half], values[half:]


def trace(label: str, group: str, low: Curve, high: Curve, *, duration_s: float, n_steps: int) -> Trace:
    """One run, packed; never more steps than the curve has points."""
    steps = max(1, min(n_steps, len(low.x)))
    sides = envelope(low, high, duration_s=duration_s, n_steps=steps)
    return Trace(label=label, group=group, duration_s=duration_s, n_steps=steps, packed=pack(sides))
