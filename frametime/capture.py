"""What every reader makes and every metric reads: one recorded log as Arrow tables, with its origin."""

from __future__ import annotations

import copyreg
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from frametime.caveats import Caveat, Weight
from frametime.errors import ReadError
from frametime.units import NS_PER_S

if TYPE_CHECKING:
    import pyarrow as pa


def _rebuild_mapping(content: dict[object, object]) -> MappingProxyType[object, object]:
    return MappingProxyType(content)


# Results hold their mappings read-only, and pickle, by which processes answer, does not know that type by itself.
copyreg.pickle(MappingProxyType, lambda mapping: (_rebuild_mapping, (dict(mapping),)))

TIME_COLUMN: Final = "timestamp_ns"

FRAME_COLUMNS: Final[Mapping[str, tuple[str, str, str]]] = {
    # name: (Arrow type, UCUM unit, meaning)
    TIME_COLUMN: ("int64", "ns", "end of the frame on the log's clock; row 0 is where the first frame began"),
    "simulation_start_ns": ("int64", "ns", "time at which the frame's simulation was sampled"),
    "displayed_ns": ("int64", "ns", "time at which the frame appeared on the display"),
    "shown": ("bool", "1", "false where the frame was rendered but never displayed"),
    "gpu_work_ns": ("int64", "ns", "time the graphics card worked on the frame"),
    "cpu_work_ns": ("int64", "ns", "time the processor worked on the frame"),
}

SENSOR_COLUMNS: Final[Mapping[str, tuple[str, str, str]]] = {
    "time_ns": ("int64", "ns", "time of the sample on the capture's clock"),
    "power_w": ("float64", "W", "power drawn by the card"),
    "temperature_c": ("float64", "Cel", "temperature of the card"),
    "core_clock_mhz": ("float64", "MHz", "core clock"),
    "memory_clock_mhz": ("float64", "MHz", "memory clock"),
    "utilization_pct": ("float64", "%", "share of time in which the card was busy"),
    "fan_rpm": ("float64", "{rpm}", "fan speed"),
    "fan_pct": ("float64", "%", "fan speed as a share of its maximum"),
    "voltage_v": ("float64", "V", "core voltage"),
    "memory_used_mib": ("float64", "MiBy", "card memory in use"),
}


@dataclass(frozen=True, kw_only=True)
class Conditions:
    """Under which conditions a run was made. ``None`` means not known."""

    card: str | None = None
    card_settings: str | None = None
    scene: str | None = None
    scene_settings: str | None = None
    resolution: str | None = None
    driver: str | None = None
    operating_system: str | None = None
    run: str | None = None

    def differences(self, other: Conditions) -> tuple[str, ...]:
        """Names of the fields that differ, ``run`` left out.

        Examples
        --------
        >>> Conditions(card="a", run="1").differences(Conditions(card="b", run="2"))
        ('card',)
        """
        return tuple(
            item.name
            for item in fields(self)
            if item.name != "run" and getattr(self, item.name) != getattr(other, item.name)
        )


class RejectedRow(NamedTuple):
    """A row that was left out: its line in the file, counted from 1, and why."""

    line: int
    reason: str


@dataclass(frozen=True, kw_only=True)
class Provenance:
    """Where a capture comes from and how it was read.

    Attributes
    ----------
    file_name : str
        Name as the caller gave it; ``-`` for standard input.
    sha256 : str
        Of the bytes of the file as stored (before decompression), in hexadecimal.
    size_bytes : int
        Size of the file as stored.
    adapter : str
        Name of the adapter that read it.
    rows_read, rows_rejected : int
        Data rows that were used, and that were left out.
    rejected_rows : tuple of RejectedRow
        The first rejected rows, at most 100.
    layout_toml : str
        The column layout found or given, in the form of a layout file.
    evidence : tuple of str
        Why that layout: one sentence for each decision, with the option that overrides it.
    options : Mapping
        The reading options that were not at their default (cuts included).
    metadata : Mapping
        Key and value pairs found above the header.
    recorded_from_utc : str or None
        Absolute time at which ``timestamp_ns`` is 0, ISO 8601 with zone; ``None`` when not known.
    """

    file_name: str
    sha256: str
    size_bytes: int
    adapter: str
    rows_read: int
    rows_rejected: int
    rejected_rows: tuple[RejectedRow, ...]
    layout_toml: str
    evidence: tuple[str, ...]
    options: Mapping[str, str] = field(default_factory=dict)
    metadata: Mapping[str, str] = field(default_factory=dict)
    recorded_from_utc: str | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class SensorTrace:
    """Sensor samples on the clock of a capture.

    Attributes
    ----------
    samples : pyarrow.Table
        ``time_ns`` (int64, strictly rising) and any of the other ``SENSOR_COLUMNS`` (float64, null where
        a cell could not be read).
    alignment : str
        How the two clocks were brought together, in words.
    provenance : Provenance
        Of the sensor log; the capture's own when the sensors stand in its columns.
    missing_counts : Mapping
        Cells that could not be read, for each column.
    caveats : tuple of Caveat
    clock_doubt_s : float
        How far the samples may be off the capture's clock, where nothing sure says; it widens intervals.
    """

    samples: pa.Table
    alignment: str
    provenance: Provenance
    missing_counts: Mapping[str, int]
    caveats: tuple[Caveat, ...]
    clock_doubt_s: float = 0.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Capture:
    """One recorded log.

    Attributes
    ----------
    frames : pyarrow.Table
        ``timestamp_ns`` (int64, no null, strictly rising, two rows or more) and any of the other
        ``FRAME_COLUMNS``. Row ``i`` is the end of frame ``i``; row 0 is where the first frame began, so a
        table of ``n + 1`` rows holds ``n`` frames. Other columns may be null in row 0.
    conditions : Conditions
    provenance : Provenance
    sensors : SensorTrace or None
    caveats : tuple of Caveat
        What the reader had to say.
    """

    frames: pa.Table
    conditions: Conditions
    provenance: Provenance
    sensors: SensorTrace | None
    caveats: tuple[Caveat, ...]

    def __post_init__(self) -> None:
        if TIME_COLUMN not in self.frames.column_names:
            raise ValueError(f"frames must hold the column {TIME_COLUMN!r}, got {self.frames.column_names!r}")
        if self.frames.num_rows < 2:
            raise ValueError(f"frames must have two rows or more, got {self.frames.num_rows!r}")
        unknown = [name for name in self.frames.column_names if name not in FRAME_COLUMNS]
        if unknown:
            raise ValueError(f"frames hold columns that have no meaning here: {unknown!r}")

    @property
    def n_frames(self) -> int:
        """Number of frames (one fewer than timestamps)."""
        return int(self.frames.num_rows) - 1


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
    told = {"skip_start_s": skip_start_s or None, "skip_end_s": skip_end_s or None, "from_s": from_s, "to_s": to_s}
    given = {name: value for name, value in told.items() if value is not None}
    if not given:
        return capture
    for name, value in given.items():
        if not np.isfinite(value) or (name.startswith("skip") and value < 0):
            raise ValueError(f"{name} must be a number of seconds, got {value!r}")
    stamps = np.concatenate([np.from_dlpack(chunk) for chunk in capture.frames.column(TIME_COLUMN).chunks])
    start_ns = max(round(skip_start_s * NS_PER_S), round((from_s or 0.0) * NS_PER_S))
    length_ns = int(stamps[-1]) - int(stamps[0])
    end_ns = length_ns - round(skip_end_s * NS_PER_S)
    if to_s is not None:
        end_ns = min(end_ns, round(to_s * NS_PER_S))
    first, last = (int(i) for i in np.searchsorted(stamps - stamps[0], [start_ns, end_ns + 1]))
    options = ", ".join(f"{name.removesuffix('_s').replace('_', ' ')} {value:g} s" for name, value in given.items())
    if last - first < 3:
        found = f"the cut ({options}) leaves {max(0, last - first - 1)} of {capture.n_frames} frames"
        helps = f"the capture is {length_ns / NS_PER_S:.3f} s long: cut less"
        raise ReadError.at(capture.provenance.file_name, found, helps=helps)
    left_s = (int(stamps[last - 1]) - int(stamps[first])) / NS_PER_S
    left = f"{last - first - 1} of {capture.n_frames} frames are left, {left_s:.3f} of {length_ns / NS_PER_S:.3f} s"
    caveat = Caveat(code="capture-cut", message=f"Cut as told ({options}): {left}.", weight=Weight.NOTE)
    merged = {**capture.provenance.options, **{name: f"{value:g}" for name, value in given.items()}}
    about, frames = replace(capture.provenance, options=MappingProxyType(merged)), capture.frames
    caveats = (*capture.caveats, caveat)
    return replace(capture, frames=frames.slice(first, last - first), provenance=about, caveats=caveats)
