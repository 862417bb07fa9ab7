"""``frametime order``: the list in which the runs of a plan are to be made."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from frametime.cli.options import valued
from frametime.cli.output import refuse_log_as_output
from frametime.cli.settings_file import Command
from frametime.cli.value_types import NamedPath


@click.command(cls=Command)
@click.argument("plan", type=NamedPath(dir_okay=False, path_type=Path))
@valued("--swaps", "N", "Most swaps of a card; by default the fewest that leave little of a drift.", within="swaps")
@valued("--minutes-per-swap", "M", "What swapping a card takes; 10 by default.", within="minutes_per_swap")
@valued("--minutes-per-run", "M", "What a run takes, loading and all; 3 by default.", within="minutes_per_run")
@valued("--seed", "N", "Number that the order of the cells is drawn with; 1 by default.", within="seed")
@click.option("--out", "-o", type=NamedPath(path_type=Path), metavar="FILE", help="Write the list as CSV as well.")
@click.option("--force", is_flag=True, help="Replace files that are there.")
def order(plan: Path, out: Path | None, force: bool, **chosen: Any) -> None:
    """List the runs of a plan in an order in which a drift falls on all cards alike.

    Cards are put in again and again, in mirrored order. A table shows what more
    swaps would cost and buy. [order] in the plan has the options as keys, by
    which frametime watch says which run is next.

    \b
    Examples:
      frametime order plan.toml
      frametime order plan.toml --swaps 8 --out order.csv
    """
    from frametime.errors import printable
    from frametime.pipeline.table_frames import write_order
    from frametime.plans.plan import read_plan
    from frametime.plans.plan_order import changed_order, order_lines, orders_of
    from frametime.render.order_text import order_text
    from frametime.replacing import claiming

    read = read_plan(plan)
    given = {name: value for name, value in chosen.items() if value is not None}
    keys = changed_order(read.order, given)
    found, at, steps = orders_of(read.design, keys)
    if out is not None:
        refuse_log_as_output(out)
        with claiming([out], force=force):
            write_order(steps, out)
    click.echo(order_text(read.design, found, at, steps), nl=False)
    if out is not None:
        click.echo(f"{printable(str(out))}: {len(steps)} runs", err=True)
    if keys != read.order:
        click.echo(
            f"For 'frametime watch' to follow this order, put it into the plan:\n\n{order_lines(keys)}", err=True
        )
