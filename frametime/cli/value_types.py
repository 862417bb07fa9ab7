"""Kinds of values that options take: finite numbers, and names that are not empty."""

from __future__ import annotations

import math
from typing import Any, Final

import click


class _Number(click.types.FloatParamType):
    """A number that is finite."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        number = super().convert(value, param, ctx)
        return number if math.isfinite(number) else self.fail(f"'{value}' is not a finite number.", param, ctx)


class NumberRange(click.FloatRange):
    """A number between two limits that is finite."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The number, or wrong usage."""
        return super().convert(NUMBER.convert(value, param, ctx), param, ctx)


class _Name(click.types.StringParamType):
    """Text that is not empty."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        return super().convert(value, param, ctx) if value != "" else self.fail("it is empty.", param, ctx)


class NamedPath(click.Path):
    """A path that is not empty: an empty one would stand for the folder at hand."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The path, or wrong usage."""
        return super().convert(NAME.convert(value, param, ctx), param, ctx)


NUMBER: Final = _Number()
NAME: Final = _Name()
