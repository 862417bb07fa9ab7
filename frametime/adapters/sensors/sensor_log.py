"""What a sensor log is read with, what is found in it, and which metrics rest on it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.clocks.sensor_clock import (
    SensorTimes,
    utc_ns,
    zone_named,
)
from frametime.adapters.sensors.sensor_layout import SensorLayout
from frametime.capture import Provenance
from frametime.caveats import Caveat
from frametime.ranges import check_ranges

if TYPE_CHECKING:
    pass

COVERED_ENOUGH: Final = 0.95
"""Share of a capture that its samples must cover, else a caveat (common practice, no source)."""

LONG_GAP_S: Final = 2.0
LONG_GAP_STEPS: Final = 5.0
"""A hole between samples that is longer than both is told (common practice, no source)."""

SENSOR_METRICS: Final = (
    "average_power_w",
    "peak_power_w",
    "energy_per_frame_j",
    "frames_per_joule",
    "time_at_power_limit_fraction",
    "average_temperature_c",
    "peak_temperature_c",
    "end_temperature_c",
    "time_above_temperature_limit_fraction",
    "average_core_clock_mhz",
    "min_core_clock_mhz",
    "core_clock_sd_mhz",
    "average_memory_clock_mhz",
    "throttling_count",
    "throttling_time_fraction",
    "utilization_under_90pct_fraction",
)
"""Keys of the metrics that rest on sensor samples."""


@dataclass(frozen=True, kw_only=True)
class SensorOptions:
    """How a sensor log is to be read and brought together with its capture.

    Attributes
    ----------
    layout : SensorLayout or None
        What the log leaves open, stated by the user; it wins over anything found in the log.
    offset_s : float or None
        Sensor clock minus capture clock, in s; wins over absolute times.
    time_zone : str or None
        Of dates that name none: ``UTC``, ``+02:00`` or a name such as ``Europe/Berlin``. Never guessed.
    device : str or None
        Card to read, where the log holds several.
    recorded_from : str or None
        Absolute time at which the capture's clock stood at 0: ISO 8601 with a zone.
    """

    layout: SensorLayout | None = None
    offset_s: float | None = None
    time_zone: str | None = None
    device: str | None = None
    recorded_from: str | None = None

    def __post_init__(self) -> None:
        check_ranges(self, "offset_s")
        if self.time_zone is not None:
            zone_named(self.time_zone)
        if self.recorded_from is not None:
            utc_ns(self.recorded_from)

    def stated(self) -> dict[str, str]:
        """The options that are not at their default, as texts."""
        given = {
            "sensor_offset_s": self.offset_s,
            "sensor_time_zone": self.time_zone,
            "sensor_device": self.device,
            "recorded_from": self.recorded_from,
            "sensor_layout": None if self.layout is None else self.layout.to_toml(),
        }
        return {key: str(value) for key, value in given.items() if value is not None}


@dataclass(frozen=True, kw_only=True, eq=False)
class SensorSamples:
    """The samples of one card as they stand in a log, on the log's own clock.

    Attributes
    ----------
    times : SensorTimes
        One for each sample, in the order of the rows.
    values : Mapping of str to ndarray of float64
        Quantity to readings, NaN where a cell could not be used.
    provenance : Provenance
    caveats : tuple of Caveat
    largest_back : tuple of int, or None
        Largest step back of the clock in ns, and the line after it.
    """

    times: SensorTimes
    values: Mapping[str, NDArray[np.float64]]
    provenance: Provenance
    caveats: tuple[Caveat, ...]
    largest_back: tuple[int, int] | None
