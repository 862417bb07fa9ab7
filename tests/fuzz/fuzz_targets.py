"""What is fuzzed: each target takes any bytes and may only succeed or raise a ``FrametimeError``."""

from __future__ import annotations

import atexit
import functools
import io
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from types import MappingProxyType

from frametime.adapters.base import ReadOptions
from frametime.adapters.columns.layout import Layout
from frametime.adapters.reading import read_capture
from frametime.adapters.sensors.sensor_log import SensorLayout
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


_TEXTS = ("skip_start", "lows", "refresh", "segment", "unit", "time_column", "stream", "least", "greatest", "adapter",
          "sensor_zone", "recorded_from")  # fmt: skip


@functools.cache
def _bench() -> tuple[Path, tuple[str, ...]]:
    """A folder of four captures with a plan, and the options of a check that take a number or a text of their own."""
    from frametime.cli.check import check
    from frametime.cli.options import NumberWithin

    folder = Path(tempfile.mkdtemp(prefix="frametime-fuzz-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    for card in ("a", "b"):
        for run in (1, 2):
            path = folder / card / "s" / f"{run}.csv"
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text("frame_time_ms\n" + "".join(f"{8 + (i * run) % 5}\n" for i in range(120)), "utf-8")
    (folder / "hw.csv").write_text("time_s,power_w\n" + "".join(f"{i / 5},{200 + i}\n" for i in range(9)), "utf-8")
    valued = [option for option in check.params if isinstance(option.type, NumberWithin) or option.name in _TEXTS]
    return folder, tuple(sorted(max(option.opts, key=len) for option in valued))


def options_and_plan(content: bytes) -> None:
    """Options of a check, a line ``number=value`` each; below an empty line, the rest of a plan that is reviewed."""
    import sys
    from unittest import mock

    from frametime.cli import run
    from frametime.pipeline.review_files import review_plan
    from frametime.plans.plan import parse_plan

    folder, known = _bench()
    options, _, plan = content.decode("utf-8", "replace").replace("\0", "").partition("\n\n")
    typed = [line.partition("=") for line in options.split("\n")[:8] if line[:2].strip("0123456789=") == ""]
    given = [f"{known[int(number or 0) % len(known)]}={value}" for number, _, value in typed if len(number) < 3]
    with mock.patch.multiple(sys, stdout=io.StringIO(), stderr=io.StringIO()):
        code = run(["check", str(folder / "a" / "s" / "1.csv"), "--sensors", str(folder / "hw.csv"), *given])
    assert code in (0, 2, 3, 5), code
    text = 'title = "t"\nbaseline = "a"\nresolutions = ["r"]\n' + plan
    review_plan(parse_plan(text, file_name="plan.toml", folder=folder), workers=1)


TARGETS: Mapping[str, Callable[[bytes], None]] = MappingProxyType(
    {
        "frame_log": frame_log,
        "arrow_file": arrow_file,
        "layout": layout,
        "sensor_layout": sensor_layout,
        "plan": plan,
        "tuning_record": tuning_record,
        "sensor_log": sensor_log,
        "options_and_plan": options_and_plan,
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
        "options_and_plan": (),
    }
)


def seeds(name: str) -> Iterator[bytes]:
    """Sound and broken inputs to start from, each cut to 8 KiB."""
    for pattern in _SEEDS[name]:
        for path in sorted(ROOT.glob(pattern)):
            yield path.read_bytes()[:8192]
    if name == "options_and_plan":
        yield from _option_seeds()
    if name == "arrow_file":
        yield from _arrow_seeds()
    if name == "sensor_layout":
        yield b'time_column = "t"\ntime_zone = "UTC"\n[columns]\npower = "p"\n[units]\npower = "W"\n'


_PLAN = """
runs = 2
margin = 0.03
currency = "EUR"
[captures]
pattern = "{card}/{scene}/{run}.csv"
skip_start_s = VALUE
[measure]
slowest_pcts = [VALUE]
stutter_window_s = 1.0
[running_cost]
tariff_per_kwh = 0.3
hours_per_day = 3
[[cards]]
key = "a"
price = VALUE
power_limit_w = 300
[[cards]]
key = "b"
price = 500
[[scenes]]
key = "s"
"""


def _option_seeds() -> Iterator[bytes]:
    for number, value in enumerate(("1", "5", "1e308", "1e-320", "nan", "-1", "0.1")):
        options = "".join(f"{number * 4 + step}={value}\n" for step in range(4))
        yield (options + _PLAN.replace("VALUE", value)).encode()


def _arrow_seeds() -> Iterator[bytes]:
    from frametime.adapters.arrow.arrow_file import write_capture

    capture = read_capture(io.BytesIO(b"frame_time_ms\n" + b"10\n" * 50))
    with tempfile.TemporaryDirectory() as folder:
        for suffix in (".arrow", ".parquet"):
            path = Path(folder, f"seed{suffix}")
            write_capture(capture, path)
            yield path.read_bytes()
