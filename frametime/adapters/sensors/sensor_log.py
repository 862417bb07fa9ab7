"""What a sensor log is read with, and names that others need of what is found in it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from frametime.adapters.capture_start import any_ns, zone_named
from frametime.adapters.sensors.sensor_layout import SensorLayout
from frametime.ranges import check_ranges

LONG_GAP_S: Final = 2.0
LONG_GAP_STEPS: Final = 5.0
"""A hole between samples that is longer than both is told (common practice, no source)."""

SENSORS_UNUSABLE: Final = "sensors-unusable"
"""Code of the caveat of a run whose sensor log could not be used."""

CLOCKS_GUESSED: Final = "sensor-clocks-guessed"
"""Code of the caveat of a capture whose file's last change was taken for its end."""


@dataclass(frozen=True, kw_only=True)
class SensorOptions:
    """How a sensor log is to be read and brought together with its capture.

    Attributes
    ----------
    layout : SensorLayout or None
        What the log leaves open, stated by the user; it wins over anything found in the log.
    offset_s : float or None
        Sensor clock minus capture clock, in s; wins over absolute times.
    offset_doubt_s : float
        How far ``offset_s`` may be off, where it was found and not given.
    is_shared : bool
        Several captures share the log, so its clock did not start with this one.
    trusts_file_time : bool
        The file's last change is taken for the end of the capture where nothing else says when it was made.
    time_zone : str or None
        Of dates that name none: ``UTC``, ``+02:00`` or a name such as ``Europe/Berlin``; by default
        they are local times, of the capture as of the sensor log, or of this machine where one of the two is in UTC.
    device : str or None
        Card to read, where the log holds several.
    recorded_from : str or None
        Absolute time at which the capture's clock stood at 0: ISO 8601; without a zone
        a local time.
    """

    layout: SensorLayout | None = None
    offset_s: float | None = None
    offset_doubt_s: float = 0.0
    is_shared: bool = False
    trusts_file_time: bool = True
    time_zone: str | None = None
    device: str | None = None
    recorded_from: str | None = None

    def __post_init__(self) -> None:
        check_ranges(self, "offset_s")
        if self.time_zone is not None:
            zone_named(self.time_zone)
        if self.recorded_from is not None:
            any_ns(self.recorded_from)

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
