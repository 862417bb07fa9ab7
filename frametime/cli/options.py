"""Options that several commands share."""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from typing import Any, Final, Protocol, TypeVar

import click

from frametime.cli.settings_file import rare
from frametime.cli.value_types import NAME, NumberWithin

C = TypeVar("C", bound=Callable[..., Any])


class Options(Protocol):
    """A decorator for a group of options."""

    def __call__(self, command: C, /) -> C:
        """The command with these options."""
        ...


def all_of(*groups: Sequence[Callable[[Any], Any]]) -> Options:
    """One decorator for groups of options, which the help shows in this order."""
    options = [option for group in groups for option in group]
    return lambda command: functools.reduce(lambda inner, option: option(inner), reversed(options), command)


def valued(
    option: str, metavar: str, text: str, *names: str, within: str = "", heading: str = "", **more: Any
) -> Callable[[Any], Any]:
    """An option that takes a value; ``within`` names the range of a number, ``heading`` makes it a rare one."""
    attributes = {"metavar": metavar, "help": text, "show_default": more.get("default") is not None, **more}
    if within:
        attributes["type"] = NumberWithin(within)
    return rare(heading, option, *names, **attributes) if heading else click.option(option, *names, **attributes)


_reading: Final = functools.partial(valued, heading="Reading")
_sensors: Final = functools.partial(valued, heading="Sensors")
_limits: Final = functools.partial(valued, heading="Limits")

_CUTS: Final = (
    valued("--skip-start", "S", "Seconds to leave out at the start, or 'auto' for the warm-up."),
    valued("--skip-end", "S", "Seconds to leave out at the end.", within="skip_end_s", default=0.0),
    valued("--from", "S", "Where to begin, in seconds from the start of the capture.", "from_s", within="from_s"),
    valued("--to", "S", "Where to end, in seconds from the start of the capture.", "to_s", within="to_s"),
)

_LAYOUT: Final = (
    rare("Reading", "--layout", type=click.Path(dir_okay=False), help="Column layout, a TOML file of a few lines."),
    rare("Reading", "--kind", type=click.Choice(["timestamp", "frame-time", "rate"]),
         help="What the time column holds."),
    rare("Reading", "--decimal", type=click.Choice([".", ","]), help="Decimal mark of the numbers."),
)  # fmt: skip

_READING: Final = (
    _reading("--time-column", "NAME", "Column of the time, by name, or number from 1.", type=NAME),
    _reading("--unit", "UNIT", "Unit of the time column: s, ms, us, ns, fps, ..."),
    rare("Reading", "--remember", is_flag=True, help="Keep the layout beside the log, for others of its shape."),
    _reading("--stream", "NAME", "Application to read, where the log holds several.", type=NAME),
    _reading("--adapter", "NAME", "Reader to use, where the choice is not clear."),
    rare("Reading", "--sort", is_flag=True, help="Sort rows whose time runs backwards."),
    _reading("--max-rejected", "PCT", "Rows that may be unusable before the log is refused, in percent.",
             within="max_rejected_pct", default=1.0),
    _limits("--max-line-bytes", "N", "Longest line; 1 MiB by default.", within="max_line_bytes"),
    _limits("--max-columns", "N", "Most columns; 2000 by default.", within="max_columns"),
    _limits("--max-decompressed-bytes", "N", "Most bytes that a log may unpack to; 4 GiB by default.",
            within="max_decompressed_bytes"),
    _limits("--max-decompression-ratio", "N", "Most times its size that a log may unpack to; 2000 by default.",
            within="max_decompression_ratio"),
)  # fmt: skip

_QUANTILES: Final = (
    valued("--quantile-type", "N", "How percentiles are read between frames: type 1 to 9 of Hyndman & Fan.",
           within="quantile_type", default=7),
)  # fmt: skip

_LOWS_AND_STUTTERS: Final = (
    valued("--lows", "PCT,...", "Shares of the slowest frames that lows are about, in percent.", default="1,0.1"),
    valued("--stutter-ratio", "N", "A stutter takes over N times the median of the frames around it.",
           within="ratio", default=2.0),
    valued("--stutter-window", "S", "Length of the stretch around a frame that this median is of, in seconds.",
           within="window_s", default=1.0),
    valued("--stutter-excess", "MS", "A stutter is longer than that median by at least this much.",
           within="min_excess_ms", default=4.0),
)  # fmt: skip

_DISPLAY: Final = (
    valued("--refresh", "HZ", "Refresh rate of the display: 144, 60000/1001, or a variable range 48-165."),
    click.option("--tearing", is_flag=True, help="Frames may appear in the middle of a refresh (vertical sync off)."),
)

_LIMITS: Final = (
    valued("--temperature-limit", "C", "Temperature limit of the card in °C.", within="temperature_limit_c"),
    valued("--power-limit", "W", "Power limit of the card in W.", within="power_limit_w"),
)

_INTERVALS: Final = (click.option("--intervals", is_flag=True, help="Say how sure each number is within this run."),)

_SENSOR_LOGS: Final = (
    _sensors("--sensor-zone", "ZONE", "Time zone of sensor times that name none: UTC, +02:00, ..."),
    valued(
        "--sensor-device", "NAME", "Card to read, where the sensor log holds several.", type=NAME, heading="Sensors"
    ),
)

_SENSORS: Final = (
    rare("Sensors", "--sensor-layout", type=click.Path(dir_okay=False), help="Column layout of the sensor log."),
    _sensors("--sensor-offset", "S", "Sensor clock minus capture clock, in seconds.", within="offset_s"),
    *_SENSOR_LOGS,
    _sensors(
        "--recorded-from", "TIME", "Date and time, with zone, at which the capture's clock stood at 0 (ISO 8601)."
    ),
)

_WORKERS: Final = (
    _limits("--max-worker-bytes", "N", "Most memory of a process that measures; 8 GiB by default.",
            within="max_worker_bytes"),
    _limits("--max-file-seconds", "S", "Longest time that measuring one file may take; 600 by default.",
            within="max_file_seconds"),
)  # fmt: skip

THEMES: Final = ("light", "dark")

SIZES: Final = ("web", "web-2x", "video-1080p", "video-4k", "print", "print-180mm", "print-85mm")
"""Sizes of charts."""

_PLOT: Final = (
    click.option("--plot", type=click.Path(dir_okay=False), metavar="FILE", help="Draw the run: .png, .svg or .pdf."),
    click.option(
        "--theme", type=click.Choice(THEMES), default="light", show_default=True, help="Colors of the charts."
    ),
    click.option("--size", type=click.Choice(SIZES), default="web", show_default=True, help="Size of the charts."),
)

reading_options: Final = all_of(_CUTS, _LAYOUT, _READING)
"""Options of reading a frame log."""
plan_reading_options: Final = all_of(_READING, _SENSOR_LOGS)
"""Those that a plan has no key for: they count for every log of a review."""
measuring_options: Final = all_of(_QUANTILES, _LOWS_AND_STUTTERS, _DISPLAY)
"""Options of the metrics."""
frame_options: Final = all_of(_QUANTILES, _LOWS_AND_STUTTERS)
"""Those for metrics of the frames themselves, whatever the display."""
low_and_stutter_options: Final = all_of(_LOWS_AND_STUTTERS)
"""Those for lows and stutters alone."""
limit_options: Final = all_of(_LIMITS)
"""Limits of the card, against which its sensors are held."""
interval_options: Final = all_of(_INTERVALS)
"""Whether numbers are shown with how sure they are within one run."""
sensor_options: Final = all_of(_SENSORS)
"""Options of reading a sensor log."""
worker_options: Final = all_of(_WORKERS)
"""What one file may take of a process that measures."""
plot_options: Final = all_of(_PLOT)
"""Options of the drawing of one run."""
