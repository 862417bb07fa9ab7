"""Sensor logs and captures for tests, and what was read of them."""

from __future__ import annotations

import io

import made_captures
import numpy as np
import pytest

from frametime.adapters.sensors.sensor_log import SensorOptions
from frametime.adapters.sensors.sensor_trace import attach_sensors
from frametime.capture import Capture, SensorTrace
from frametime.caveats import Caveat, Weight
from frametime.errors import ReadError, SensorError

UTC_START = "2026-11-25T09:00:00Z"


def capture_of(*, seconds: float = 10.0, start: str | None = None, name: str = "-", start_s: float = 0.0) -> Capture:
    """A capture at 100 fps whose clock begins at ``start_s``."""
    stamps_ns = np.arange(round(start_s * 1e9), round((start_s + seconds) * 1e9) + 1, 10_000_000, dtype=np.int64)
    return made_captures.capture_of(stamps_ns, file_name=name, recorded_from_utc=start)


def attached(text: str | bytes, capture: Capture | None = None, **options: object) -> SensorTrace:
    stream = io.BytesIO(text if isinstance(text, bytes) else text.encode())
    trace = attach_sensors(capture or capture_of(), stream, options=SensorOptions(**options)).sensors
    assert trace is not None
    return trace


def refusal(text: str, capture: Capture | None = None, **options: object) -> str:
    with pytest.raises((SensorError, ReadError)) as caught:
        attached(text, capture, **options)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def column(trace: SensorTrace, name: str) -> list[float | None]:
    return trace.samples.column(name).to_pylist()


def times_s(trace: SensorTrace) -> list[float]:
    return [ns / 1e9 for ns in trace.samples.column("time_ns").to_pylist()]


def told(trace: SensorTrace) -> tuple[Caveat, ...]:
    """What is told, without the note that two elapsed clocks are taken to have started together."""
    assumed = ("sensor-clocks-assumed", Weight.NOTE)
    return tuple(caveat for caveat in trace.caveats if (caveat.code, caveat.weight) != assumed)


def codes(trace: SensorTrace) -> set[str]:
    return {caveat.code for caveat in told(trace)}


def elapsed_log(n: int = 12) -> str:
    return "elapsed_s,power_w,temperature_c\n" + "".join(f"{i},{100 + i}.5,{50 + i}\n" for i in range(n))


def absolute_log(zone: str = "Z", day: str = "2026-11-25", n: int = 14) -> str:
    return "time,power_w\n" + "".join(f"{day}T09:00:{i:02d}.500{zone},{100 + i}\n" for i in range(n))
