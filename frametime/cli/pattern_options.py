"""Path patterns of a command line."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import click

from frametime.plans.path_pattern import FIELDS

if TYPE_CHECKING:
    from frametime.plans.path_pattern import PathPattern

PATTERN_FIELDS: Final = ", ".join(f"{{{name}}}" for name in FIELDS)
"""The fields that a path pattern may hold, for the help of an option."""


def chosen_pattern(option: str, text: str | None) -> PathPattern | None:
    """The path pattern of an option.

    Raises
    ------
    click.UsageError
        If it is not one.
    """
    from frametime.errors import FrametimeError
    from frametime.plans.path_pattern import PathPattern

    if text is None:
        return None
    try:
        return PathPattern.parse(text, where=option)
    except FrametimeError as error:
        raise click.UsageError(str(error)) from error


def refuse_unknown_sensor_fields(sensors: PathPattern | None, path: PathPattern | None) -> None:
    """Refuse a sensor pattern with a field that no path of a capture can fill.

    Raises
    ------
    click.UsageError
    """
    known = path.fields if path is not None else ()
    unknown = [name for name in (sensors.fields if sensors is not None else ()) if name not in known]
    if unknown:
        raise click.UsageError(
            f"--sensors-pattern: the field '{{{unknown[0]}}}' is not in --path-pattern; name it there too"
        )
