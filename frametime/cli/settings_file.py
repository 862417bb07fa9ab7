"""Rare options: they stand under headings of their own at the end of a help, and may stand in ``frametime.toml``."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

import click

SETTINGS_FILE: Final = "frametime.toml"
"""Looked for beside the plan of a review, else in the folder at hand."""

_HEADINGS: Final = ("Options", "Reading", "Sensors", "Limits")

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
        sections: dict[str, list[tuple[str, str]]] = {heading: [] for heading in _HEADINGS}
        for parameter in self.get_params(ctx):
            if (record := parameter.get_help_record(ctx)) is not None and record[1]:
                sections[getattr(parameter, "heading", _HEADINGS[0])].append(record)
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
    from frametime.settings.toml_source import TomlSource, shown

    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise OptionError.at(str(path), f"cannot be read: {getattr(error, 'strerror', 'it is not UTF-8')}") from error
    source = TomlSource.read(text, str(path), OptionError)
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
