"""Options that commands share: kinds of values, groups of options, and rare ones, which a settings file may hold.

Rare options stand under headings of their own at the end of a help, and may stand in ``frametime.toml``.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final, Protocol, TypeVar

import click

from frametime.ranges import RANGES

SETTINGS_FILE: Final = "frametime.toml"
"""Looked for beside the plan of a review, else in the folder at hand."""

HEADINGS: Final = ("Options", "Reading", "Sensors", "Limits")

_RARE: Final[dict[str, list[str]]] = {}
"""Names of rare options by heading, in lower case; they are the keys and tables of a settings file."""


class RareOption(click.Option):
    """An option that the help shows under a heading."""

    def __init__(self, *arguments: Any, heading: str, **attributes: Any) -> None:
        super().__init__(*arguments, **attributes)
        self.heading = heading


def rare(heading: str, option: str, *names: str, **attributes: Any) -> Callable[[Any], Any]:
    """As ``click.option``; the option is known to settings files from now on."""
    _RARE.setdefault(heading.lower(), []).append(_key(option))
    return click.option(option, *names, cls=RareOption, heading=heading, **attributes)


class Command(click.Command):
    """A command whose help puts rare options last, and whose rare options may stand in a settings file."""

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the options by heading."""
        sections: dict[str, list[tuple[str, str]]] = {heading: [] for heading in HEADINGS}
        for parameter in self.get_params(ctx):
            if (record := parameter.get_help_record(ctx)) is not None and record[1]:
                sections[getattr(parameter, "heading", HEADINGS[0])].append(record)
        for heading, records in sections.items():
            if records:
                with formatter.section(heading):
                    formatter.write_dl(records)

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Read the command line; what it leaves open is as the settings file says, and that is told."""
        options = {_key(option.opts[0]): option for option in self.params if isinstance(option, RareOption)}
        path = self._settings_path(ctx, args) if options and not ctx.resilient_parsing else None
        if path is None:
            return super().parse_args(ctx, args)
        ctx.default_map = _settings(path, options, ctx)
        rest = super().parse_args(ctx, args)
        used = [
            key for key, option in options.items()
            if ctx.get_parameter_source(str(option.name)) is click.core.ParameterSource.DEFAULT_MAP
        ]  # fmt: skip
        if used:
            from frametime.errors import printable

            click.echo(f"frametime: as {printable(str(path))} says: {', '.join(used)}", err=True)
        return rest

    def _settings_path(self, ctx: click.Context, args: list[str]) -> Path | None:
        folders = [Path()]
        if any(parameter.name == "plan" for parameter in self.params):
            plan = self.make_parser(ctx).parse_args(args=list(args))[0].get("plan")
            folders = [Path(plan).parent, *folders] if isinstance(plan, str) else folders
        return next((path for folder in folders if (path := folder / SETTINGS_FILE).is_file()), None)


class CommandGroup(click.Group):
    """A group of such commands."""

    command_class = Command


def _key(option: str) -> str:
    return option.removeprefix("--").replace("-", "_")


def _settings(path: Path, options: Mapping[str, RareOption], ctx: click.Context) -> dict[str, Any]:
    """The values of a file for the options that the command has, by parameter.

    Raises
    ------
    OptionError
        At a table or key that no command has, and at a value that its option does not take.
    """
    from frametime.errors import OptionError, did_you_mean
    from frametime.settings.toml_source import TomlSource, file_text, shown

    source = TomlSource.read(file_text(path, OptionError), str(path), OptionError)
    found: dict[str, Any] = {}
    for table, values in source.values.items():
        if table not in _RARE or not isinstance(values, dict):
            raise source.unknown((table,), f"known tables are {', '.join(f'[{name}]' for name in _RARE)}")
        for key, value in values.items():
            if key not in _RARE[table]:
                known = _RARE[table]
                raise source.unknown((table, key), did_you_mean(key, known) or f"known keys are {', '.join(known)}")
            if (option := options.get(key)) is None:
                continue
            if isinstance(value, bool) is not option.is_flag or not isinstance(value, str | int | float):
                allowed = "true or false" if option.is_flag else "a text or a number"
                raise source.fault((table, key), f"is {shown(value)}", f"allowed: {allowed}")
            if isinstance(option.type, click.Path):
                value = path.parent / str(value)  # noqa: PLW2901  (a path of the file starts beside it)
            try:
                found[str(option.name)] = option.type.convert(str(value), option, ctx)
            except click.BadParameter as error:
                raise source.fault((table, key), f"is {shown(value)}", error.message.rstrip(".")) from error
    return found


class NumberWithin(click.FloatRange):
    """A number in a range of ``RANGES``; the help of an option shows the range."""

    def __init__(self, name: str) -> None:
        self._allowed = RANGES[name]
        low, high = (int(bound) if bound == int(bound) else bound for bound in self._allowed[:2])
        super().__init__(low, high, min_open=self._allowed.above)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The number, or wrong usage."""
        try:
            number = int(value) if self._allowed.is_whole else float(value)
        except (ValueError, OverflowError):
            number = float("nan")
        return number if self._allowed.holds(number) else self.fail(f"'{value}' is not {self._allowed}.", param, ctx)


class _Name(click.types.StringParamType):
    """Text that is not empty."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        return super().convert(value, param, ctx) if value != "" else self.fail("it is empty.", param, ctx)


class NamedPath(click.Path):
    """A path that is not empty: an empty one would stand for the folder at hand."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The path, or wrong usage."""
        return super().convert(NAME.convert(value, param, ctx), param, ctx)


class PlanPath(NamedPath):
    """The file of a review plan; where a folder is given, it is said how its plan is made."""

    def __init__(self) -> None:
        super().__init__(dir_okay=False, path_type=Path)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The path, or wrong usage."""
        if value and Path(value).is_dir():
            import shlex

            plan = Path(value) / "plan.toml"
            way = "give" if plan.is_file() else "make its plan with"
            words = [str(plan)] if plan.is_file() else ["frametime", "plan", str(value)]
            self.fail(f"this is a folder; {way} {shlex.join(words)}", param, ctx)
        return super().convert(value, param, ctx)


NAME: Final = _Name()


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

_LOOK: Final = (
    click.option(
        "--theme", type=click.Choice(THEMES), default="light", show_default=True, help="Colors of the charts."
    ),
    click.option("--size", type=click.Choice(SIZES), default="web", show_default=True, help="Size of the charts."),
)

_PLOT: Final = (
    click.option("--plot", type=click.Path(dir_okay=False), metavar="FILE", help="Draw the run: .png, .svg or .pdf."),
    *_LOOK,
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


_DRAWING: Final = (
    *_LOOK,
    click.option(
        "--format",
        "formats",
        type=click.Choice(["png", "svg", "pdf"]),
        multiple=True,
        default=["png"],
        show_default=True,
        help="Format of the charts; may be given several times.",
    ),
    click.option("--transparent", is_flag=True, help="Draw charts without a background."),
    click.option("--only", multiple=True, metavar="KEY", help="Draw this chart only; may be given several times."),
)

DRAWING_NAMES: Final = ("theme", "size", "formats", "transparent", "only")
"""Parameters of these options."""


drawing_options: Final = all_of(_DRAWING)
"""Options of charts: theme, size, format, which."""
