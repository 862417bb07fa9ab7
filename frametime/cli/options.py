"""Options that several commands share."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Final, ParamSpec, TypeVar

import click

from frametime.cli.settings_file import rare
from frametime.cli.value_types import NAME, NumberWithin

P = ParamSpec("P")
R = TypeVar("R")

_CUTS: Final = (
    click.option("--skip-start", metavar="S", help="Seconds to leave out at the start, or 'auto' for the warm-up."),
    click.option(
        "--skip-end", type=NumberWithin("skip_end_s"), default=0.0, metavar="S", help="Seconds to leave out at the end."
    ),
    click.option(
        "--from",
        "from_s",
        type=NumberWithin("from_s"),
        metavar="S",
        help="Where to begin, in seconds from the start of the capture.",
    ),
    click.option(
        "--to",
        "to_s",
        type=NumberWithin("to_s"),
        metavar="S",
        help="Where to end, in seconds from the start of the capture.",
    ),
)

_LAYOUT: Final = (
    rare("Reading", "--layout", type=click.Path(dir_okay=False), help="Column layout, a TOML file of a few lines."),
)

_READING: Final = (
    rare("Reading", "--time-column", type=NAME, metavar="NAME", help="Column of the time, by name, or number from 1."),
    rare("Reading", "--unit", metavar="UNIT", help="Unit of the time column: s, ms, us, ns, fps, ..."),
    rare("Reading", "--stream", type=NAME, metavar="NAME", help="Application to read, where the log holds several."),
    rare("Reading", "--adapter", metavar="NAME", help="Reader to use, where the choice is not clear."),
    rare("Reading", "--sort", is_flag=True, help="Sort rows whose time runs backwards."),
    rare(
        "Reading",
        "--max-rejected",
        type=NumberWithin("max_rejected_pct"),
        default=1.0,
        show_default=True,
        metavar="PCT",
        help="Rows that may be unusable before the log is refused, in percent.",
    ),
    rare(
        "Limits",
        "--max-line-bytes",
        type=NumberWithin("max_line_bytes"),
        metavar="N",
        help="Longest line; 1 MiB by default.",
    ),
    rare(
        "Limits", "--max-columns", type=NumberWithin("max_columns"), metavar="N", help="Most columns; 2000 by default."
    ),
    rare(
        "Limits",
        "--max-decompressed-bytes",
        type=NumberWithin("max_decompressed_bytes"),
        metavar="N",
        help="Most bytes that a log may unpack to; 4 GiB by default.",
    ),
    rare(
        "Limits",
        "--max-decompression-ratio",
        type=NumberWithin("max_decompression_ratio"),
        metavar="N",
        help="Most times its size that a log may unpack to; 2000 by default.",
    ),
)

_QUANTILES: Final = (
    click.option(
        "--quantile-type",
        type=NumberWithin("quantile_type"),
        default=7,
        show_default=True,
        metavar="N",
        help="How percentiles are read between frames: type 1 to 9 of Hyndman & Fan.",
    ),
)

_LOWS_AND_STUTTERS: Final = (
    click.option(
        "--lows",
        default="1,0.1",
        show_default=True,
        metavar="PCT,...",
        help="Shares of the slowest frames that lows are about, in percent.",
    ),
    click.option(
        "--stutter-ratio",
        type=NumberWithin("ratio"),
        default=2.0,
        show_default=True,
        metavar="N",
        help="A stutter takes over N times the median of the frames around it.",
    ),
    click.option(
        "--stutter-window",
        type=NumberWithin("window_s"),
        default=1.0,
        show_default=True,
        metavar="S",
        help="Length of the stretch around a frame that this median is of, in seconds.",
    ),
    click.option(
        "--stutter-excess",
        type=NumberWithin("min_excess_ms"),
        default=4.0,
        show_default=True,
        metavar="MS",
        help="A stutter is longer than that median by at least this much.",
    ),
)

_DISPLAY: Final = (
    click.option(
        "--refresh", metavar="HZ", help="Refresh rate of the display: 144, 60000/1001, or a variable range 48-165."
    ),
    click.option("--tearing", is_flag=True, help="Frames may appear in the middle of a refresh (vertical sync off)."),
)

_LIMITS: Final = (
    click.option(
        "--temperature-limit",
        type=NumberWithin("temperature_limit_c"),
        metavar="C",
        help="Temperature limit of the card in °C.",
    ),
    click.option(
        "--power-limit", type=NumberWithin("power_limit_w"), metavar="W", help="Power limit of the card in W."
    ),
)

_INTERVALS: Final = (click.option("--intervals", is_flag=True, help="Say how sure each number is within this run."),)

_SENSOR_LOGS: Final = (
    rare("Sensors", "--sensor-zone", metavar="ZONE", help="Time zone of sensor times that name none: UTC, +02:00, ..."),
    rare(
        "Sensors",
        "--sensor-device",
        type=NAME,
        metavar="NAME",
        help="Card to read, where the sensor log holds several.",
    ),
)

_SENSORS: Final = (
    rare("Sensors", "--sensor-layout", type=click.Path(dir_okay=False), help="Column layout of the sensor log."),
    rare(
        "Sensors",
        "--sensor-offset",
        type=NumberWithin("offset_s"),
        metavar="S",
        help="Sensor clock minus capture clock, in seconds.",
    ),
    *_SENSOR_LOGS,
    rare(
        "Sensors",
        "--recorded-from",
        metavar="TIME",
        help="Date and time, with zone, at which the capture's clock stood at 0 (ISO 8601).",
    ),
)

THEMES: Final = ("light", "dark")

SIZES: Final = ("web", "web-2x", "video-1080p", "video-4k", "print", "print-180mm", "print-85mm")
"""Sizes of charts."""

_PLOT: Final = (
    click.option("--plot", type=click.Path(dir_okay=False), metavar="FILE", help="Draw the run: .png, .svg or .pdf."),
    click.option("--theme", type=click.Choice(THEMES), default="light", show_default=True, help="Colors of --plot."),
    click.option("--size", type=click.Choice(SIZES), default="web", show_default=True, help="Size of --plot."),
)


def all_of(
    options: tuple[Callable[[Callable[P, R]], Callable[P, R]], ...],
) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """One decorator for a group of options, which the help shows in this order."""
    return lambda command: functools.reduce(lambda inner, option: option(inner), reversed(options), command)


def reading_options(command: Callable[P, R]) -> Callable[P, R]:
    """Options of reading a frame log."""
    return all_of((*_CUTS, *_LAYOUT, *_READING))(command)


def plan_reading_options(command: Callable[P, R]) -> Callable[P, R]:
    """Those that a plan has no key for: they count for every log of a review."""
    return all_of((*_READING, *_SENSOR_LOGS))(command)


def measuring_options(command: Callable[P, R]) -> Callable[P, R]:
    """Options of the metrics."""
    return all_of((*_QUANTILES, *_LOWS_AND_STUTTERS, *_DISPLAY))(command)


def frame_options(command: Callable[P, R]) -> Callable[P, R]:
    """Those for metrics of the frames themselves, whatever the display."""
    return all_of((*_QUANTILES, *_LOWS_AND_STUTTERS))(command)


def low_and_stutter_options(command: Callable[P, R]) -> Callable[P, R]:
    """Those for lows and stutters alone."""
    return all_of(_LOWS_AND_STUTTERS)(command)


def limit_options(command: Callable[P, R]) -> Callable[P, R]:
    """Limits of the card, against which its sensors are held."""
    return all_of(_LIMITS)(command)


def interval_options(command: Callable[P, R]) -> Callable[P, R]:
    """Whether numbers are shown with how sure they are within one run."""
    return all_of(_INTERVALS)(command)


def sensor_options(command: Callable[P, R]) -> Callable[P, R]:
    """Options of reading a sensor log."""
    return all_of(_SENSORS)(command)


def plot_options(command: Callable[P, R]) -> Callable[P, R]:
    """Options of the drawing of one run."""
    return all_of(_PLOT)(command)
