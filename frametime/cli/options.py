"""Options that several commands share."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Final, ParamSpec, TypeVar

import click

from frametime.cli.value_types import NAME, NUMBER, NumberRange

P = ParamSpec("P")
R = TypeVar("R")

_READING: Final = (
    click.option("--layout", type=click.Path(dir_okay=False), help="Column layout, a TOML file of a few lines."),
    click.option("--time-column", type=NAME, metavar="NAME", help="Column of the time, by name, or number from 1."),
    click.option("--unit", metavar="UNIT", help="Unit of the time column: s, ms, us, ns, fps, ..."),
    click.option("--kind", type=click.Choice(["timestamp", "frame-time", "rate"]), help="What the time column holds."),
    click.option("--decimal", type=click.Choice([".", ","]), help="Decimal mark of the numbers."),
    click.option("--remember", is_flag=True, help="Keep the layout beside the log, for others of its shape."),
    click.option("--stream", type=NAME, metavar="NAME", help="Application to read, where the log holds several."),
    click.option("--adapter", metavar="NAME", help="Reader to use, where the choice is not clear."),
    click.option("--sort", is_flag=True, help="Sort rows whose time runs backwards."),
    click.option("--skip-start", metavar="S", help="Seconds to leave out at the start, or 'auto' for the warm-up."),
    click.option("--skip-end", type=NUMBER, default=0.0, metavar="S", help="Seconds to leave out at the end."),
    click.option(
        "--from", "from_s", type=NUMBER, metavar="S", help="Where to begin, in seconds from the start of the capture."
    ),
    click.option(
        "--to", "to_s", type=NUMBER, metavar="S", help="Where to end, in seconds from the start of the capture."
    ),
    click.option(
        "--max-rejected",
        type=NumberRange(0.0, 100.0),
        default=1.0,
        show_default=True,
        metavar="PCT",
        help="Rows that may be unusable before the log is refused, in percent.",
    ),
    click.option("--max-line-bytes", type=click.IntRange(min=1), metavar="N", help="Longest line; 1 MiB by default."),
    click.option("--max-columns", type=click.IntRange(min=1), metavar="N", help="Most columns; 2000 by default."),
    click.option(
        "--max-decompressed-bytes",
        type=click.IntRange(min=1),
        metavar="N",
        help="Most bytes that a log may unpack to; 4 GiB by default.",
    ),
    click.option(
        "--max-decompression-ratio",
        type=NUMBER,
        metavar="N",
        help="Most times its size that a log may unpack to; 2000 by default.",
    ),
)

_QUANTILES: Final = (
    click.option(
        "--quantile-type",
        type=click.IntRange(1, 9),
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
        type=NUMBER,
        default=2.0,
        show_default=True,
        metavar="N",
        help="A stutter takes over N times the median of the frames around it.",
    ),
    click.option(
        "--stutter-window",
        type=NUMBER,
        default=1.0,
        show_default=True,
        metavar="S",
        help="Length of the stretch around a frame that this median is of, in seconds.",
    ),
    click.option(
        "--stutter-excess",
        type=NUMBER,
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
        type=NumberRange(0.0, min_open=True),
        metavar="C",
        help="Temperature limit of the card in °C.",
    ),
    click.option(
        "--power-limit", type=NumberRange(0.0, min_open=True), metavar="W", help="Power limit of the card in W."
    ),
)

_INTERVALS: Final = (click.option("--intervals", is_flag=True, help="Say how sure each number is within this run."),)

_SENSORS: Final = (
    click.option("--sensor-layout", type=click.Path(dir_okay=False), help="Column layout of the sensor log."),
    click.option("--sensor-offset", type=NUMBER, metavar="S", help="Sensor clock minus capture clock, in seconds."),
    click.option("--sensor-zone", metavar="ZONE", help="Time zone of sensor times that name none: UTC, +02:00, ..."),
    click.option(
        "--sensor-device", type=NAME, metavar="NAME", help="Card to read, where the sensor log holds several."
    ),
    click.option(
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
    return all_of(_READING)(command)


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
