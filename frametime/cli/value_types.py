"""Kinds of values that options take: numbers within their range, and names that are not empty."""

from __future__ import annotations

from typing import Any, Final

import click

from frametime.ranges import RANGES


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


NAME: Final = _Name()
