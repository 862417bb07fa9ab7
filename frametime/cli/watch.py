"""``frametime watch``: at the bench, each capture is checked as it is finished."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from frametime.cli import option_values
from frametime.cli.options import Command, NamedPath, takes
from frametime.cli.output import styled
from frametime.errors import OutputError, printable
from frametime.words import counted


@click.command(
    cls=Command,
    epilog="\b\nIt ends with Ctrl-C, exit code 130. While FOLDER itself is gone it says so, and waits for it.",
)
@click.argument("folder", type=NamedPath(), metavar="FOLDER|PLAN")
@takes("watch", "worker limits", "reading", "sensors", "measuring", "limits", "intervals")
def watch(folder: str, **chosen: Any) -> None:
    """Check each capture below FOLDER as soon as it is finished.

    Prints the check of the capture and what its set still needs: a run to repeat,
    more runs, or nothing.

    With a plan, each run is shown in three lines beside the others of its cell,
    and then which run comes next.

    \b
    Examples:
      frametime watch plan.toml
      frametime watch captures --path-pattern "{card}/{scene}/{resolution}/run{run}.csv"
    """
    from frametime.pipeline.watching import WatchOptions, watch_folder
    from frametime.render.check_text import check_text, judgement_text

    if folder.lower().endswith(".toml") and not Path(folder).is_dir():
        _watch_plan(Path(folder), chosen)
        return
    if not Path(folder).is_dir():
        raise OutputError.at(folder, "there is no such folder")
    try:
        options = WatchOptions(**option_values.folder_options(chosen), runs=chosen["runs"], settle_s=chosen["settle"])
    except ValueError as error:
        raise click.UsageError(str(error)) from error
    if not chosen["quiet"]:
        told = f"Watching {printable(folder)}: a capture is checked {options.settle_s:g} s after its last change."
        click.echo(f"{told} Ctrl-C ends it.", err=True)
    for report in watch_folder(Path(folder), options=options):
        if report.run is None:
            click.echo(f"frametime: {report.error}", err=True)
        elif chosen["quiet"]:
            click.echo(judgement_text(report.run, path=report.path), nl=False)
        else:
            click.echo(check_text(report.run, path=report.path, style=styled))
        if report.set_sentence is not None:
            click.echo(printable(report.set_sentence))


def _watch_plan(path: Path, chosen: dict[str, Any]) -> None:
    """Watch the captures of a plan, which says how they are read and measured."""
    from frametime.cli.review import review
    from frametime.pipeline.watching import watch_plan
    from frametime.plans.plan import read_plan
    from frametime.render.review_text import newest_run_text, next_run_text

    # What a review takes, a watch of its plan takes: the rest is in the plan.
    rest = sorted(chosen.keys() - {option.name for option in review.params} - {"settle"})
    option_values.refuse_idle(rest, "is for a folder: with a plan, the plan says it")
    while True:  # one that is edited is read again
        sensors = option_values.make_sensor_options(chosen, needs="a plan", given=True)
        plan = replace(read_plan(path), read=option_values.make_read_options(chosen), sensors=sensors)
        for report in watch_plan(plan, settle_s=chosen["settle"], limits=option_values.make_worker_limits(chosen)):
            if report.message is not None:
                click.echo(f"frametime: {report.message}", err=True)
            elif report.newest is not None:
                text = newest_run_text(plan.design, report.newest, style=styled)
                click.echo(text.splitlines()[0] if chosen["quiet"] else text)
            elif report.coverage is not None:
                n_made = sum(len(cell.present) for cell in report.coverage.cells)
                n_usable = sum(cell.n_usable for cell in report.coverage.cells)
                click.echo(f"{printable(plan.design.title)}: {counted(n_made, 'run')} there, {n_usable} usable")
                click.echo(next_run_text(plan.design, report.coverage, report.next_run) + "\n")
