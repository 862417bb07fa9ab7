"""Lanes: one sensor quantity each, on the time axis of the frames above."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import Missing
from frametime.metrics.sensors.sensor_channels import channel
from frametime.render.charts.axis_scales import round_ticks, set_x_ticks, tick_labels
from frametime.render.charts.chart_sheet import Sheet, y_caption

LANE_QUANTITIES: Final[tuple[tuple[str, str], ...]] = (
    ("power_w", "power, W"),
    ("temperature_c", "temperature, °C"),
    ("core_clock_mhz", "core clock, MHz"),
)
_LEAST_SPANS: Final[Mapping[str, float]] = MappingProxyType(
    {"power_w": 20.0, "temperature_c": 10.0, "core_clock_mhz": 100.0}
)
_MOST_POINTS: Final = 2000

LANE_EM: Final = 5.0
"""Height of a lane with the room for its caption."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Lane:
    """One quantity over time: ``limit`` is drawn as a line where it is known."""

    name: str
    caption: str
    times_s: NDArray[np.float64]
    values: NDArray[np.float64]
    limit: float | None


def lanes_of(series: FrameSeries, quantities: Sequence[tuple[str, str]]) -> tuple[Lane, ...]:
    """A lane for each quantity of which the sensor log has samples."""
    limits = {"power_w": series.options.power_limit_w, "temperature_c": series.options.temperature_limit_c}
    lanes = []
    for name, caption in quantities:
        found = channel(series, name)
        if isinstance(found, Missing):
            continue
        times_s, values = _extremes(found.times_s, found.values)
        lanes.append(Lane(name=name, caption=caption, times_s=times_s, values=values, limit=limits.get(name)))
    return tuple(lanes)


def _extremes(
    times_s: NDArray[np.float64], values: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """All points, or of very many the least and greatest of each of a thousand steps, in their order."""
    if times_s.size <= _MOST_POINTS:
        return times_s, values
    kept: list[int] = [0, times_s.size - 1]
    for part in np.array_split(np.arange(times_s.size), _MOST_POINTS // 2):
        kept += [int(part[values[part].argmin()]), int(part[values[part].argmax()])]
    places = np.unique(kept)
    return times_s[places], values[places]


def draw_lanes(sheet: Sheet, lanes: Sequence[Lane], place: tuple[float, float, float], duration_s: float) -> Axes:
    """Draw the lanes above one another from a place (left, bottom, width in points); gives the lowest axes."""
    theme = sheet.theme
    axes = None
    left, foot, width = place
    for number, lane in enumerate(lanes):
        bottom = foot + (len(lanes) - 1 - number) * LANE_EM * sheet.em
        axes = sheet.axes(left, bottom, width, (LANE_EM - 2.0) * sheet.em)
        axes.set_xlim(0.0, duration_s)
        low, high = _limits(lane)
        axes.set_ylim(low, high)
        axes.plot(lane.times_s, lane.values, color=theme.palette.ink, linewidth=0.8 * theme.line_pt, gid=lane.name)
        caption = f"{lane.caption} (axis from {tick_labels([low])[0]})"
        if lane.limit is not None:
            axes.axhline(lane.limit, color=theme.palette.behind, linewidth=theme.line_pt, linestyle=(0, (5.0, 1.6)))
            beyond = " above the axis" if lane.limit > high else " below the axis" if lane.limit < low else ""
            caption += f", {'' if beyond else 'dashed: '}limit {lane.limit:g}{beyond}"
        y_caption(axes, caption, theme)
        ticks = round_ticks(low, high, 2)
        axes.set_yticks(ticks, tick_labels(ticks))
        axes.grid(axis="y")
        set_x_ticks(axes, theme.em_pt)
        axes.tick_params(labelbottom=lane is lanes[-1])
    if axes is None:
        raise ValueError("lanes must hold one lane or more, got none")
    return axes


def _limits(lane: Lane) -> tuple[float, float]:
    """Round limits around the values: few of these quantities start at 0, and the caption says where the axis does."""
    low, high = float(lane.values.min()), float(lane.values.max())
    if lane.limit is not None and lane.limit < high + max(high - low, _LEAST_SPANS.get(lane.name, 0.0)):
        high = max(high, lane.limit)
    least_span = _LEAST_SPANS.get(lane.name, 1.0)
    if high - low < least_span:
        middle = (low + high) / 2.0
        low, high = middle - least_span / 2.0, middle + least_span / 2.0
    ticks = round_ticks(low, high, 2)
    step = ticks[1] - ticks[0] if len(ticks) > 1 else least_span
    return max(0.0, float(np.floor(low / step) * step)), float(np.ceil(high / step + 1e-9) * step)
