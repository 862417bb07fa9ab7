"""Where in a sensor log the card worked and where it waited: what tells whether a capture lies in the right place."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

_SIGNALS: Final = ("power_w", "utilization_pct", "core_clock_mhz")
_ONE_LEVEL: Final = 0.6
_VALLEY: Final = (0.25, 0.5)
_MOST_IN_VALLEY: Final = 0.1
"""A log shows waiting where its least reading is below this share of the high ones, and few readings lie in the valley
between: scenes differ in their load, and a card that warms up does not wait (common practice, no source)."""
_SLACK_S: Final = 3.0
_SLACK_FRACTION: Final = 0.05
"""A stretch of load may outlast its capture by so much, for the start and the end of the recording."""


class Seen(NamedTuple):
    """What the load says of a capture's place, and how far the nearest rise (or fall) lies from where it should.

    ``waits_within`` is that the card waits in the middle of the capture.
    """

    state: Literal["confirmed", "contradicted", "unknown"]
    apart_s: float = 0.0
    waits_within: bool = False


class Place(NamedTuple):
    """When a capture began on the log's clock, in s, and how far off that may be."""

    start_s: float
    doubt_s: float


def loads_of(values: Mapping[str, NDArray[np.float64]]) -> dict[str, NDArray[np.bool_]]:
    """Whether the card worked at each sample, by each quantity that shows both; a reading that lacks is as before.

    Examples
    --------
    >>> loads_of({"power_w": np.array([20.0, 21.0, 200.0, 205.0, 201.0])})["power_w"].tolist()
    [False, False, True, True, True]
    """
    found = {}
    for name in (name for name in _SIGNALS if name in values):
        usable = np.isfinite(values[name])
        if np.count_nonzero(usable) < 4:
            continue
        before = np.maximum.accumulate(np.where(usable, np.arange(usable.size), int(np.argmax(usable))))
        filled = values[name][before]
        low, high = float(filled.min()), float(np.quantile(filled, 0.9))
        shares = (filled - low) / (high - low) if high > low else np.ones(filled.size)
        between = np.count_nonzero((shares > _VALLEY[0]) & (shares < _VALLEY[1]))
        if low <= _ONE_LEVEL * high and between <= _MOST_IN_VALLEY * shares.size:
            found[name] = shares >= 0.5 * sum(_VALLEY)
    return found


def stretches(times_s: NDArray[np.float64], loaded: NDArray[np.bool_]) -> list[tuple[float, float]]:
    """Start and end of each stretch of load, midway between the samples on either side."""
    edges = np.flatnonzero(np.diff(loaded.astype(np.int8)))
    between = 0.5 * (times_s[edges] + times_s[edges + 1])
    bounds = [float(times_s[0])] if loaded[0] else []
    bounds += [float(time) for time in between]
    bounds += [float(times_s[-1])] if loaded[-1] else []
    return list(zip(bounds[::2], bounds[1::2], strict=True))


def seen_load(
    times_s: NDArray[np.float64], values: Mapping[str, NDArray[np.float64]], span_s: tuple[float, float]
) -> Seen:
    """Whether the load rises as the capture begins and lasts to its end.

    Waiting in the middle of a capture is its own; at its start or end it speaks for clocks that are apart.
    """
    start_s, end_s = span_s
    if times_s.size < 2:
        return Seen("unknown")
    step_s = float(np.median(np.diff(times_s)))
    near_s = step_s + 0.5
    confirmed = waits = False
    for loaded in loads_of(values).values():
        inside = np.flatnonzero((times_s >= start_s) & (times_s <= end_s))
        if inside.size < 4:
            continue
        edges = np.array(stretches(times_s, loaded)).reshape(-1, 2)
        first, last = (
            inside[np.flatnonzero(loaded[inside])[[0, -1]]] if loaded[inside].any() else (inside[-1], inside[-1])
        )
        late_s, early_s = float(times_s[first]) - start_s, end_s - float(times_s[last])
        if late_s > 1.5 * step_s + 0.5 or early_s > 1.5 * step_s + 0.5:
            apart_s = late_s if late_s >= early_s else -early_s
            return Seen("contradicted", apart_s)
        middle = loaded[(times_s >= start_s + 1.5 * near_s) & (times_s <= end_s - 1.5 * near_s)]
        waits |= not bool(middle.all())
        confirmed |= bool((np.abs(edges[:, 0] - start_s)[edges[:, 0] > times_s[0]] <= near_s).any())
        confirmed |= bool((np.abs(edges[:, 1] - end_s)[edges[:, 1] < times_s[-1]] <= near_s).any())
    return Seen("confirmed" if confirmed else "unknown", waits_within=waits)


def spare_of(stretch_s: float, duration_s: float, step_s: float) -> float:
    """How much longer a stretch of load is than a capture; NaN where it is too short, or too long to be of it."""
    longest_s = duration_s + max(_SLACK_S, _SLACK_FRACTION * duration_s)
    return max(stretch_s - duration_s, 0.0) if duration_s - 1.5 * step_s <= stretch_s <= longest_s else math.nan


def place_of(
    times_s: NDArray[np.float64], values: Mapping[str, NDArray[np.float64]], duration_s: float
) -> Place | None:
    """Where a capture of that length lies, if one stretch of load alone is as long; ``None`` where none or several are.

    A log without waiting is one stretch.
    """
    if times_s.size < 2:
        return None
    step_s = float(np.median(np.diff(times_s)))
    loads = loads_of(values) or {"": np.ones(times_s.size, dtype=np.bool_)}
    places = []
    for loaded in loads.values():
        long = [(a, b) for a, b in stretches(times_s, loaded) if b - a >= duration_s - 1.5 * step_s]
        spare_s = spare_of(long[0][1] - long[0][0], duration_s, step_s) if len(long) == 1 else math.nan
        if spare_s >= 0.0:
            places.append(Place(long[0][0] + 0.5 * spare_s, 0.5 * spare_s + step_s))
    places.sort(key=lambda place: place.doubt_s)
    # Quantities that show other places contradict each other.
    if any(abs(place.start_s - places[0].start_s) > place.doubt_s + places[0].doubt_s for place in places):
        return None
    return places[0] if places else None
