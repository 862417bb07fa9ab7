"""Options that several commands share, and the frozen values that are made of them."""

from __future__ import annotations

import functools
import os
import re
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final, Literal, ParamSpec, TypeVar

import click

if TYPE_CHECKING:
    from frametime.adapters.base import ReadOptions
    from frametime.adapters.sensor_log import SensorOptions
    from frametime.metrics.options import MeasureOptions
    from frametime.pipeline.chart_files import ChartRequest
    from frametime.pipeline.path_pattern import PathPattern

P = ParamSpec("P")
R = TypeVar("R")

_READING: Final = (
    click.option("--layout", type=click.Path(dir_okay=False), help="Column layout, a TOML file of a few lines."),
    click.option("--time-column", metavar="NAME", help="Column that holds the time, by name or number."),
    click.option("--unit", metavar="UNIT", help="Unit of the time column: s, ms, us, ns, fps, ..."),
    click.option("--stream", metavar="NAME", help="Application to read, where the log holds several."),
    click.option("--adapter", metavar="NAME", help="Reader to use, where the choice is not clear."),
    click.option("--sort", is_flag=True, help="Sort rows whose time runs backwards."),
    click.option("--skip-start", metavar="S", help="Seconds to leave out at the start, or 'auto' for the warm-up."),
    click.option("--skip-end", type=float, default=0.0, metavar="S", help="Seconds to leave out at the end."),
    click.option("--from", "from_s", type=float, metavar="S", help="First second to keep."),
    click.option("--to", "to_s", type=float, metavar="S", help="Last second to keep."),
    click.option(
        "--max-rejected",
        type=click.FloatRange(0.0, 100.0),
        default=1.0,
        show_default=True,
        metavar="PCT",
        help="Rows that may be unusable, in percent.",
    ),
    click.option("--max-line-bytes", type=click.IntRange(min=1), metavar="N", help="Longest line; 1 MiB by default."),
    click.option("--max-columns", type=click.IntRange(min=1), metavar="N", help="Most columns; 2000 by default."),
    click.option(
        "--max-decompressed-bytes",
        type=click.IntRange(min=1),
        metavar="N",
        help="Most bytes that a log may unpack to; 16 GiB by default.",
    ),
    click.option(
        "--max-decompression-ratio",
        type=float,
        metavar="N",
        help="Most times its size that a log may unpack to; 2000 by default.",
    ),
)

_MEASURING: Final = (
    click.option(
        "--quantile-type",
        type=click.IntRange(1, 9),
        default=7,
        show_default=True,
        metavar="N",
        help="How percentiles are read between frames: type 1 to 9 of Hyndman & Fan.",
    ),
    click.option(
        "--lows", default="1,0.1", show_default=True, metavar="PCT,...", help="Slowest shares for lows, in percent."
    ),
    click.option(
        "--stutter-factor",
        type=float,
        default=2.0,
        show_default=True,
        metavar="N",
        help="A stutter takes over N times the median of the frames around it.",
    ),
    click.option(
        "--stutter-window",
        type=float,
        default=1.0,
        show_default=True,
        metavar="S",
        help="Seconds of frames in that median.",
    ),
    click.option(
        "--stutter-excess",
        type=float,
        default=4.0,
        show_default=True,
        metavar="MS",
        help="A stutter is longer than that median by this much at least.",
    ),
    click.option("--refresh", metavar="HZ", help="Refresh of the display: 144, 60000/1001, or a window 48-165."),
    click.option("--tearing", is_flag=True, help="Frames appear at once, in the middle of a refresh."),
    click.option("--intervals", is_flag=True, help="Say how sure each number is within this run."),
    click.option(
        "--temperature-limit",
        type=click.FloatRange(0.0, min_open=True),
        metavar="C",
        help="Temperature limit of the card in °C.",
    ),
    click.option(
        "--power-limit", type=click.FloatRange(0.0, min_open=True), metavar="W", help="Power limit of the card in W."
    ),
)

_SENSORS: Final = (
    click.option("--sensor-layout", type=click.Path(dir_okay=False), help="Column layout of the sensor log."),
    click.option("--sensor-offset", type=float, metavar="S", help="Sensor clock minus capture clock, in seconds."),
    click.option("--sensor-zone", metavar="ZONE", help="Time zone of sensor times that name none: UTC, +02:00, ..."),
    click.option("--sensor-device", metavar="NAME", help="Card to read, where the sensor log holds several."),
    click.option("--recorded-from", metavar="TIME", help="Absolute time at which the capture's clock stood at 0."),
)

SIZES: Final = ("web", "web-2x", "video-1080p", "video-4k", "print", "print-180mm", "print-85mm")
"""Sizes of charts."""

_DRAWING: Final = (
    click.option(
        "--theme", type=click.Choice(["light", "dark"]), default="light", show_default=True, help="Of charts."
    ),
    click.option(
        "--size",
        type=click.Choice(SIZES),
        default="web",
        show_default=True,
        help="Of charts.",
    ),
    click.option(
        "--format",
        "formats",
        type=click.Choice(["png", "svg", "pdf"]),
        multiple=True,
        default=["png"],
        show_default=True,
        help="Of charts; may be given several times.",
    ),
    click.option("--transparent", is_flag=True, help="Leave the ground of charts out."),
    click.option("--only", multiple=True, metavar="KEY", help="Draw this chart only; may be given several times."),
)


def _all_of(
    options: tuple[Callable[[Callable[P, R]], Callable[P, R]], ...],
) -> Callable[[Callable[P, R]], Callable[P, R]]:
    return lambda command: functools.reduce(lambda inner, option: option(inner), reversed(options), command)


def reading_options(command: Callable[P, R]) -> Callable[P, R]:
    """Options of reading a frame log."""
    return _all_of(_READING)(command)


def measuring_options(command: Callable[P, R]) -> Callable[P, R]:
    """Options of the metrics."""
    return _all_of(_MEASURING)(command)


def sensor_options(command: Callable[P, R]) -> Callable[P, R]:
    """Options of reading a sensor log."""
    return _all_of(_SENSORS)(command)


def drawing_options(command: Callable[P, R]) -> Callable[P, R]:
    """Options of charts: theme, size, format, which."""
    return _all_of(_DRAWING)(command)


def make_chart_request(chosen: Mapping[str, Any], known: Sequence[str]) -> ChartRequest:
    """The charts of a command line, of the keys that are known there.

    Raises
    ------
    click.UsageError
        If a key is not known.
    """
    from frametime.pipeline.chart_files import ChartRequest, known_keys

    try:
        only = known_keys(chosen["only"], known) if chosen["only"] else None
    except ValueError as error:
        raise click.UsageError(f"--only: {error}") from error
    return ChartRequest(
        theme=chosen["theme"],
        size=chosen["size"],
        formats=tuple(dict.fromkeys(chosen["formats"])),
        only=only,
        transparent=chosen["transparent"],
    )


def make_read_options(chosen: Mapping[str, Any]) -> ReadOptions:
    """The reading options of a command line.

    Raises
    ------
    click.UsageError
        If one of them is out of range.
    """
    from frametime.adapters.base import ReadOptions
    from frametime.adapters.layout import Layout

    layout = None
    if chosen["layout"] is not None:
        layout = Layout.from_toml(_text_of(chosen["layout"]), chosen["layout"])
    column = chosen["time_column"]
    return _checked(
        ReadOptions,
        layout=layout,
        time_column=int(column) if column is not None and column.isascii() and column.isdigit() else column,
        unit=chosen["unit"],
        stream=chosen["stream"],
        adapter=chosen["adapter"],
        sort=chosen["sort"],
        skip_start_s=0.0 if skips_warm_up(chosen) else _seconds(chosen["skip_start"]),
        skip_end_s=chosen["skip_end"],
        from_s=chosen["from_s"],
        to_s=chosen["to_s"],
        max_rejected_fraction=chosen["max_rejected"] / 100.0,
        **_limits(chosen),
    )


def _limits(chosen: Mapping[str, Any]) -> dict[str, Any]:
    """The limits that were given; the others stay at the defaults of ``ReadOptions``."""
    names = ("max_line_bytes", "max_columns", "max_decompressed_bytes", "max_decompression_ratio")
    return {name: chosen[name] for name in names if chosen[name] is not None}


def skips_warm_up(chosen: Mapping[str, Any]) -> bool:
    """Whether the warm-up is to be found and left out."""
    return bool(chosen["skip_start"] == "auto")


def _seconds(text: str | None) -> float:
    if text is None:
        return 0.0
    try:
        return float(text)
    except ValueError:
        raise click.UsageError(f"--skip-start takes a number of seconds or 'auto', not {text!r}") from None


def _text_of(path: str) -> str:
    from frametime.errors import LayoutError

    try:
        with open(path, encoding="utf-8-sig") as file:  # noqa: PTH123 - pathlib is slow to import
            return file.read()
    except (OSError, UnicodeDecodeError) as error:
        raise LayoutError.at(path, f"cannot be read as text ({error})") from error


def make_measure_options(chosen: Mapping[str, Any]) -> MeasureOptions:
    """The measuring options of a command line.

    Raises
    ------
    click.UsageError
        If one of them is out of range.
    """
    from dataclasses import replace

    from frametime.metrics.options import MeasureOptions, StutterRule

    rule = _checked(
        StutterRule,
        factor=chosen["stutter_factor"],
        window_s=chosen["stutter_window"],
        min_excess_ms=chosen["stutter_excess"],
    )
    refresh = None
    if chosen["refresh"] is not None:
        from frametime.metrics.display import parse_refresh

        try:
            refresh = replace(parse_refresh(chosen["refresh"]), tearing=chosen["tearing"])
        except ValueError as error:
            raise click.UsageError(f"--refresh: {error}") from error
    return _checked(
        MeasureOptions,
        quantile_type=chosen["quantile_type"],
        slowest_pcts=_shares(chosen["lows"]),
        stutter=rule,
        refresh=refresh,
        temperature_limit_c=chosen["temperature_limit"],
        power_limit_w=chosen["power_limit"],
        within_run_intervals=chosen["intervals"],
    )


def _shares(text: str) -> tuple[float, ...]:
    try:
        return tuple(float(part) for part in text.split(","))
    except ValueError:
        raise click.UsageError(f"--lows takes percentages separated by commas, not {text!r}") from None


def make_sensor_options(chosen: Mapping[str, Any]) -> SensorOptions:
    """The sensor options of a command line."""
    from frametime.adapters.sensor_layout import SensorLayout
    from frametime.adapters.sensor_log import SensorOptions

    layout = chosen["sensor_layout"]
    return _checked(
        SensorOptions,
        layout=SensorLayout.from_toml(_text_of(layout), layout) if layout is not None else None,
        offset_s=chosen["sensor_offset"],
        time_zone=chosen["sensor_zone"],
        device=chosen["sensor_device"],
        recorded_from=chosen["recorded_from"],
    )


_OPTION_OF: Final[Mapping[str, str]] = {
    "slowest_pcts": "--lows",
    "factor": "--stutter-factor",
    "window_s": "--stutter-window",
    "min_excess_ms": "--stutter-excess",
    "temperature_limit_c": "--temperature-limit",
    "power_limit_w": "--power-limit",
    "unit": "--unit",
    "skip_start_s": "--skip-start",
    "skip_end_s": "--skip-end",
    "from_s": "--from",
    "to_s": "--to",
    "max_decompression_ratio": "--max-decompression-ratio",
    "offset_s": "--sensor-offset",
}
"""Names of fields, as the command line calls them."""


def _checked(kind: Callable[..., R], **values: Any) -> R:
    """Build options; what they refuse is wrong usage, told with the name that was typed."""
    try:
        return kind(**values)
    except ValueError as error:
        told = re.sub(r"\b[a-z_]+\b", lambda word: _OPTION_OF.get(word.group(), word.group()), str(error))
        raise click.UsageError(told) from error


def chosen_pattern(option: str, text: str | None) -> PathPattern | None:
    """The path pattern of an option.

    Raises
    ------
    click.UsageError
        If it is not one.
    """
    from frametime.errors import FrametimeError
    from frametime.pipeline.path_pattern import PathPattern

    if text is None:
        return None
    try:
        return PathPattern.parse(text, where=option)
    except FrametimeError as error:
        raise click.UsageError(str(error)) from error


def expand_paths(patterns: tuple[str, ...]) -> list[str]:
    """Input paths with ``*``, ``?`` and ``**`` expanded, sorted; a path that exists is taken as it is.

    The program does it itself on every system, because some shells do not.

    Raises
    ------
    click.UsageError
        If a pattern matches no file.
    """
    paths: list[str] = []
    for pattern in patterns:
        if pattern == "-" or not any(mark in pattern for mark in "*?[") or os.path.exists(pattern):  # noqa: PTH110
            paths.append(pattern)
            continue
        import glob  # As pathlib, it is slow to import, and few inputs are patterns.

        # pathlib has no pattern that may start at a drive or at the root.
        found = sorted(path for path in glob.glob(pattern, recursive=True) if os.path.isfile(path))  # noqa: PTH113,PTH207
        if not found:
            raise click.UsageError(f"no file matches {pattern!r}")
        paths.extend(found)
    return list(dict.fromkeys(paths))


def segment_choice(text: str | None) -> int | Literal["longest"] | None:
    """``--segment``: a number, or ``longest``.

    Raises
    ------
    click.UsageError
    """
    if text is None or text == "longest":
        return text  # type: ignore[return-value]  # the comparison above does not narrow to a literal
    try:
        return int(text)
    except ValueError:
        raise click.UsageError(f"--segment takes a number or 'longest', not {text!r}") from None
