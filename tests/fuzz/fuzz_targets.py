"""What is fuzzed: each target takes any bytes and may only succeed or raise a ``FrametimeError``."""

from __future__ import annotations

import io
import os
import tempfile
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from types import MappingProxyType

from frametime.adapters.base import ReadOptions
from frametime.adapters.columns.layout import Layout
from frametime.adapters.reading import read_capture
from frametime.adapters.sensors.sensor_layout import SensorLayout
from frametime.errors import FrametimeError

ROOT = Path(__file__).parents[2]
SMALL = ReadOptions(max_line_bytes=1 << 16, max_columns=200, max_decompressed_bytes=1 << 22)


def frame_log(content: bytes) -> None:
    """Delimited text, compressed or not."""
    read_capture(io.BytesIO(content), options=SMALL, use_threads=False)


def arrow_file(content: bytes) -> None:
    """Arrow IPC and Parquet, by name."""
    for suffix in (".arrow", ".parquet"):
        with tempfile.NamedTemporaryFile(suffix=suffix, delete=False) as stream:
            stream.write(content)
        try:
            read_capture(stream.name, options=SMALL)
        except FrametimeError:
            pass
        finally:
            os.unlink(stream.name)  # noqa: PTH108  (as fast as can be)


def layout(content: bytes) -> None:
    """A layout file."""
    Layout.from_toml(content.decode("utf-8", "replace"), "fuzz.toml")


def sensor_layout(content: bytes) -> None:
    """A layout file of a sensor log."""
    SensorLayout.from_toml(content.decode("utf-8", "replace"), "fuzz.toml")


def plan(content: bytes) -> None:
    """A review plan."""
    from frametime.plans.plan import parse_plan

    parse_plan(content.decode("utf-8", "replace"), file_name="plan.toml", folder=Path())


def tuning_record(content: bytes) -> None:
    """A tuning record."""
    from frametime.tuning.record_text import parse_record

    parse_record(content.decode("utf-8", "replace"), name="tuning.toml")


def sensor_log(content: bytes) -> None:
    """A sensor log beside a sound capture."""
    from frametime.adapters.sensors.sensor_log import SensorOptions
    from frametime.adapters.sensors.sensor_trace import attach_sensors

    capture = read_capture(io.BytesIO(b"frame_time_ms\n" + b"10\n" * 50))
    attach_sensors(capture, io.BytesIO(content), options=SensorOptions(offset_s=0.0))


TARGETS: Mapping[str, Callable[[bytes], None]] = MappingProxyType(
    {
        "frame_log": frame_log,
        "arrow_file": arrow_file,
        "layout": layout,
        "sensor_layout": sensor_layout,
        "plan": plan,
        "tuning_record": tuning_record,
        "sensor_log": sensor_log,
    }
)

_SEEDS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "frame_log": ("reference_logs/**/*.csv", "reference_logs/**/*.txt", "tests/adapters/data/**/*.csv"),
        "arrow_file": (),
        "layout": ("reference_logs/**/*.layout.toml",),
        "sensor_layout": ("reference_logs/**/*.layout.toml",),
        "plan": ("reference_logs/review/plan.toml",),
        "tuning_record": ("reference_logs/review/tuning/*.toml",),
        "sensor_log": ("reference_logs/**/*.sensors.csv",),
    }
)


def seeds(name: str) -> Iterator[bytes]:
    """Sound and broken inputs to start from, each cut to 8 KiB."""
    for pattern in _SEEDS[name]:
        for path in sorted(ROOT.glob(pattern)):
            yield path.read_bytes()[:8192]
    if name == "arrow_file":
        yield from _arrow_seeds()
    if name == "sensor_layout":
        yield b'time_column = "t"\ntime_zone = "UTC"\n[columns]\npower = "p"\n[units]\npower = "W"\n'


def _arrow_seeds() -> Iterator[bytes]:
    from frametime.adapters.arrow.arrow_file import write_capture

    capture = read_capture(io.BytesIO(b"frame_time_ms\n" + b"10\n" * 50))
    with tempfile.TemporaryDirectory() as folder:
        for suffix in (".arrow", ".parquet"):
            path = Path(folder, f"seed{suffix}")
            write_capture(capture, path)
            yield path.read_bytes()
