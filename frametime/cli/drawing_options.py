"""Options of charts that several commands share; a quick check does without them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

import click

from frametime.cli.options import SIZES, THEMES, all_of

if TYPE_CHECKING:
    from frametime.pipeline.chart_files import ChartRequest

_DRAWING: Final = (
    click.option(
        "--theme", type=click.Choice(THEMES), default="light", show_default=True, help="Colors of the charts."
    ),
    click.option(
        "--size",
        type=click.Choice(SIZES),
        default="web",
        show_default=True,
        help="Size of the charts.",
    ),
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


def make_chart_request(chosen: Mapping[str, Any], known: Sequence[str]) -> ChartRequest:
    """The charts of a command line, of the keys that are known there.

    Raises
    ------
    click.UsageError
        If a key is not known.
    """
    from frametime.pipeline.chart_files import ChartRequest

    for key in chosen["only"]:
        if key not in known:
            raise click.UsageError(f"--only: there is no chart {key!r} here; known are {', '.join(known)}")
    return ChartRequest(
        theme=chosen["theme"],
        size=chosen["size"],
        formats=tuple(dict.fromkeys(chosen["formats"])),
        only=chosen["only"] or None,
        transparent=chosen["transparent"],
    )
