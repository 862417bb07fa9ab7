"""The options of all commands, as ``options.tsv`` beside this file tells them, and the kinds of values that they take.

A row of the table is an option of one set or several; a command takes whole sets. Options with a heading are rare: they
stand under it at the end of a help, and may stand in ``frametime.toml``.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final, NamedTuple, TypeVar

import click

from frametime.errors import OptionError, did_you_mean, printable
from frametime.ranges import RANGES
from frametime.words import command_line, table_rows

SETTINGS_FILE: Final = "frametime.toml"
"""Looked for beside the plan of a review, else in the folder at hand."""

HEADINGS: Final = ("Options", "Reading", "Sensors", "Limits")


class RareOption(click.Option):
    """An option that the help shows under a heading."""

    def __init__(self, *arguments: Any, heading: str, **attributes: Any) -> None:
        super().__init__(*arguments, **attributes)
        self.heading = heading


class OptionRow(NamedTuple):
    """An option: its sets, its names as click takes them, what its value is called, and what it takes.

    ``takes`` is a kind of value, ``flag``, ``within:`` and a range, or ``one of:`` and words. ``rest`` says ``many``,
    ``required``, and ``untold`` where the help does not name the default.
    """

    sets: str
    option: str
    value: str
    takes: str
    default: str
    rest: str
    heading: str
    help: str

    @property
    def key(self) -> str:
        """Its name in a settings file."""
        return _key(next(name for name in self.option.split() if name.startswith("--")))


@functools.cache
def option_rows() -> tuple[OptionRow, ...]:
    """The table; ``-`` stands for nothing."""
    rows = table_rows(__file__, "options.tsv")
    return tuple(OptionRow(*("" if cell == "-" else cell for cell in row)) for row in rows)


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
    from frametime.settings.toml_source import TomlSource, file_text, shown

    source = TomlSource.read(file_text(path, OptionError), str(path), OptionError)
    rare: dict[str, list[str]] = {}
    for row in option_rows():
        if row.heading:
            rare.setdefault(row.heading.lower(), []).append(row.key)
    found: dict[str, Any] = {}
    for table, values in source.values.items():
        if table not in rare or not isinstance(values, dict):
            raise source.unknown((table,), f"known tables are {', '.join(f'[{name}]' for name in rare)}")
        known = rare[table]
        for key, value in values.items():
            if key not in known:
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
            plan = Path(value) / "plan.toml"
            way = "give" if plan.is_file() else "make its plan with"
            words = [str(plan)] if plan.is_file() else ["frametime", "plan", str(value)]
            self.fail(f"this is a folder; {way} {command_line(words)}", param, ctx)
        return super().convert(value, param, ctx)


NAME: Final = _Name()


_KINDS: Final[Mapping[str, click.ParamType[Any]]] = {
    "": click.STRING,
    "name": NAME,
    "file": click.Path(dir_okay=False),
    "folder": click.Path(file_okay=False),
    "folder path": click.Path(file_okay=False, path_type=Path),
    "named": NamedPath(),
    "path": NamedPath(path_type=Path),
}
"""Kinds of values by their names in the table."""

C = TypeVar("C", bound=Callable[..., Any])


def takes(*sets: str, **kinds: Callable[[str], object]) -> Callable[[C], C]:
    """A decorator: the command takes these sets of options, which the help shows in this order.

    ``kinds`` are kinds of values that one command alone knows: each makes one of a text, or raises `BadParameter`.
    """
    rows = [row for name in sets for row in option_rows() if name in row.sets.split(", ")]
    options = [_option(row, {**_KINDS, **kinds}) for row in rows]
    return lambda command: functools.reduce(lambda inner, option: option(inner), reversed(options), command)


def _option(row: OptionRow, kinds: Mapping[str, Any]) -> Callable[[Any], Any]:
    is_many, text = "many" in row.rest, row.help
    if "{fields}" in text:
        from frametime.plans.path_pattern import SHOWN_FIELDS

        text = text.replace("{fields}", SHOWN_FIELDS)
    attributes: dict[str, Any] = {"cls": RareOption, "heading": row.heading} if row.heading else {}
    attributes |= {"help": text, "required": "required" in row.rest}
    if row.takes == "flag":
        return click.option(*row.option.split(), is_flag=True, **attributes)
    attributes |= {"multiple": is_many, "metavar": row.value or None}
    if row.default:
        default = row.default.strip('"')
        attributes |= {"default": [default] if is_many else default, "show_default": "untold" not in row.rest}
    how, _, words = row.takes.partition(": ")
    if how == "within":
        kinds = {how: NumberWithin(words)}
    elif how == "one of":
        kinds = {how: click.Choice(words.split())}
    return click.option(*row.option.split(), type=kinds[how], **attributes)


DRAWING_NAMES: Final = ("theme", "size", "formats", "transparent", "only")
"""Parameters of the options of charts."""
