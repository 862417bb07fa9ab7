"""``frametime plan`` drafts a review plan from a folder, ``order`` lists its runs, and ``demo`` invents a review."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path
from typing import Any

import click

from frametime.cli.option_values import chosen_pattern, refuse_idle
from frametime.cli.options import Command, NamedPath, PlanPath, takes
from frametime.cli.output import refuse_log_as_output, say_unlisted
from frametime.errors import PlanError, printable
from frametime.replacing import claiming, refuse_existing, write_text
from frametime.words import command_line, counted


@click.command(cls=Command)
@click.argument("folder", type=NamedPath(path_type=Path), required=False)
@takes("plan")
def plan(folder: Path | None, out: Path, dry_run: bool, force: bool, **chosen: Any) -> None:
    """Draft a review plan from the captures in a folder, ready to edit.

    Card, scene, resolution and run are found from the names of folders and files. What was understood is shown first.

    \b
    Examples:
      frametime plan captures --out plan.toml
      frametime plan captures --dry-run
      frametime plan captures --card "Amber 6"
      frametime plan --update plan.toml
      frametime plan logs --path-pattern "{scene}_{resolution}/{card}_{run}.csv" --out plan.toml
    """
    from frametime.plans.plan_draft import draft_plans

    if (folder is None) == (chosen["update"] is None):
        raise click.UsageError("Give a folder of captures, or --update and a plan.")
    if chosen["update"] is not None:
        refuse_idle(("pattern", "card"), "is in the plan already")
        _update(chosen["update"], dry_run=dry_run)
        return
    assert folder is not None
    if folder.is_dir() and not dry_run:  # else that is told
        refuse_existing([out], force=force, helps="--update adds what is new, --force replaces it")
        refuse_log_as_output(out)
    pattern, card = chosen_pattern("--path-pattern", chosen["pattern"]), chosen["card"]
    drafts = draft_plans(folder, beside=out.parent, pattern=pattern, card=card)
    say_unlisted(drafts[0].walk.unlisted)
    for draft in drafts:
        click.echo("\n".join(draft.understood))
        if len(drafts) > 1:
            of_path = "--path-pattern", draft.pattern.text, *([] if card is None else ["--card", card])
            command = command_line(["frametime", "plan", str(folder), *of_path, "--out", str(out)])
            click.echo(f"To choose this: {command}\n")
    if len(drafts) > 1:
        wrong = f"the paths can be read in {len(drafts)} ways"
        raise PlanError.at(str(folder), wrong, helps="run one of the commands above")
    if not dry_run:
        with claiming([out], force=force):
            write_text(out, drafts[0].text)
        command = command_line(["frametime", "review", str(out), "--coverage"])
        click.echo(f"{printable(str(out))} is written. Edit it, then: {printable(command, limit=1000)}")


def _update(path: Path, *, dry_run: bool) -> None:
    from frametime.plans.plan_draft import update_plan

    with nullcontext() if dry_run else claiming([path], force=True):
        updated = update_plan(path)
        say_unlisted(updated.draft.walk.unlisted)
        click.echo("\n".join(updated.draft.understood))
        if {*updated.draft.left_over} - updated.draft.left_out.keys():
            click.echo("To take in what does not fit the pattern, change [captures] pattern, or plan them anew.")
        if not updated.added:
            click.echo(f"Nothing is new: {printable(str(path))} stays as it is.")
            return
        click.echo("\n".join(f"New: {printable(line)}" for line in updated.added))
        if not dry_run:
            write_text(path, updated.text)
            click.echo(f"{printable(str(path))} is updated.")


@click.command(cls=Command)
@click.argument("plan", type=PlanPath())
@takes("order")
def order(plan: Path, out: Path | None, force: bool, **chosen: Any) -> None:
    """List the runs of a plan in an order in which a drift falls on all cards alike.

    Each card is put in several times, in mirrored order. A table shows what more
    swaps would cost and buy. With these options as keys of [order] in the plan,
    frametime watch says which run is next.

    \b
    Examples:
      frametime order plan.toml
      frametime order plan.toml --swaps 8 --out order.csv
    """
    from frametime.pipeline.tables import write_order
    from frametime.plans.plan import changed_order, order_lines, orders_of, read_plan
    from frametime.render.review_text import order_text

    read = read_plan(plan)
    given = {name: value for name, value in chosen.items() if value is not None}
    keys = changed_order(read.order, given)
    found, at, steps = orders_of(read.design, keys)
    if out is not None:
        refuse_log_as_output(out)
        with claiming([out], force=force):
            write_order(steps, out)
    click.echo(order_text(read.design, found, at, steps), nl=False)
    if keys.swaps is not None and keys.swaps < found[at].n_swaps:
        click.echo(f"frametime: no order has fewer than {counted(found[at].n_swaps, 'swap')}", err=True)
        keys = changed_order(keys, {"swaps": found[at].n_swaps})
    if out is not None:
        click.echo(f"{printable(str(out))}: {len(steps)} runs", err=True)
    if keys != read.order:
        told = "For 'frametime watch' to follow this order, put it into the plan:"
        click.echo(f"{told}\n\n{order_lines(keys)}", err=True)


@click.command(cls=Command)
@click.argument("folder", type=NamedPath(file_okay=False, path_type=Path))
@click.option("--full", is_flag=True, help="Runs of 60 s instead of 30 s, and an endurance run of 45 minutes.")
@click.option("--force", is_flag=True, help="Replace files that are there.")
def demo(folder: Path, full: bool, force: bool) -> None:
    """Write a small invented review into FOLDER.

    Three cards, five scenes, three resolutions, three runs: frame logs, sensor logs, a review plan with prices, and
    a tuning record. All names are invented; the same files are written each time.

    \b
    Examples:
      frametime demo first-review
      frametime review first-review/plan.toml --out first-review/result
      frametime tune show first-review/tuning/tuning.toml
    """
    from frametime.demo.demo_files import demo_files, write_files

    files = demo_files(full=full)
    write_files(folder, files, force=force)
    captures = sum(name.startswith("captures/") and name.endswith(".csv.gz") for name in files)
    megabytes = sum(map(len, files.values())) / 1e6
    shown = printable(folder.as_posix(), limit=1000)
    click.echo(f"{captures} captures with sensor logs, a plan and a tuning record: {megabytes:.1f} MB in {shown}")
    click.echo(f"next: {command_line(['frametime', 'review', f'{shown}/plan.toml', '--out', f'{shown}/result'])}")
