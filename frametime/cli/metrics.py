"""``frametime metrics``: the catalog."""

from __future__ import annotations

from dataclasses import fields
from typing import TYPE_CHECKING, Any

import click

from frametime.cli.option_values import make_measure_options
from frametime.cli.options import Command, takes
from frametime.errors import did_you_mean

if TYPE_CHECKING:
    from frametime.metrics.metric import Metric


@click.command(cls=Command)
@click.argument("keys", nargs=-1, metavar="[KEY]...")
@takes("metrics", "measuring")
def metrics(keys: tuple[str, ...], as_json: bool, **chosen: Any) -> None:
    """List every metric, or say what KEY is, how it is defined and where that comes from.

    \b
    Examples:
      frametime metrics
      frametime metrics low_1pct_mean_fps
    """
    from frametime.metrics.catalog import catalog_for

    catalog = catalog_for(make_measure_options(chosen))
    for key in keys:
        if key not in catalog:
            hint = did_you_mean(key, catalog, cutoff=0.6) or "'frametime metrics' lists them all"
            raise click.UsageError(f"there is no metric {key!r}; {hint}")
    rows = [catalog[key] for key in keys] or list(catalog.values())
    if as_json:
        from frametime.render.json_output import json_text

        click.echo(json_text([_plain_row(row) for row in rows]))
    elif keys:
        click.echo("\n\n".join(_whole(row) for row in rows))
    else:
        click.echo(_table(rows))


def _plain_row(row: Metric) -> dict[str, str]:
    return {item.name: getattr(row, item.name) for item in fields(row) if item.name != "compute"}


def _whole(row: Metric) -> str:
    from frametime.render.terminal_text import wrapped
    from frametime.units import shown_unit

    unit = shown_unit(row.unit) or "none"
    return "\n".join(
        (
            click.style(row.key, bold=True),
            f"  {row.label}; unit: {unit}; better: {row.better}",
            wrapped(row.definition, indent=2),
            wrapped(f"Source: {row.source}", indent=2),
        )
    )


def _table(rows: list[Metric]) -> str:
    from frametime.units import shown_unit

    lines: list[str] = []
    group = None
    for row in rows:
        if row.group != group:
            group = row.group
            lines.extend(([""] if lines else []) + [click.style(group, bold=True)])
        lines.append(f"  {row.key:<34}{shown_unit(row.unit):<10}{row.label}"[:100])
    return "\n".join(lines)
