"""``frametime review``: from a plan and a tree of captures to a verdict."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from frametime.cli import option_values
from frametime.cli.options import DRAWING_NAMES, Command, PlanPath, takes
from frametime.cli.output import formula_warning
from frametime.errors import printable
from frametime.replacing import alone_with
from frametime.words import counted

if TYPE_CHECKING:
    from frametime.plans.plan import ReviewPlan

_OF_THE_RESULT: Final = ("force", "escape_formulas", "no_charts", "no_report", "shelve", "quiet")


@click.command(cls=Command, context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("plan", type=PlanPath())
@takes("review", "worker limits", "drawing", "plan reading")
def review(plan: Path, out: Path | None, **chosen: Any) -> None:
    """Compare the cards of a plan over repeated runs.

    \b
    Examples:
      frametime plan captures --out plan.toml
      frametime review plan.toml --coverage
      frametime review plan.toml --out result

    \b
    Writes result.json, runs.parquet, cells.csv, standings.csv, charts, report.html and report.md.
    Measured runs are kept in the folder, so that a second review of the same captures is quick.
    A result of the same plan file is replaced whole; a folder with other files in it never is.
    Exit code 4: done, but some captures could not be used. 5: --coverage found runs that are missing or to repeat.
    """
    from frametime.pipeline.review_outputs import KEPT_RUNS_FILE, PAGE, RESULT_FILE, Writing, make_review, n_formulas
    from frametime.plans.plan import read_plan
    from frametime.render.charts.chart_catalog import keys_for
    from frametime.render.review_text import review_text

    ctx = click.get_current_context()
    if chosen["coverage"]:
        option_values.refuse_idle((*_OF_THE_RESULT, *DRAWING_NAMES), "is for the result, and --coverage writes none")
    if chosen["no_charts"]:
        option_values.refuse_idle(DRAWING_NAMES, "is for the charts, and --no-charts draws none")
    limits = option_values.make_worker_limits(chosen)
    measuring = {"measure_again": chosen["measure_again"], "workers": chosen["workers"], "limits": limits}
    charts = option_values.make_chart_request(chosen, keys_for("review", "review cells"))
    # A plan that is wrong is told first: asking for a folder would have it read twice.
    checked = replace(
        read_plan(plan),
        read=option_values.make_read_options(chosen),
        sensors=option_values.make_sensor_options(chosen, needs="a plan", given=True),
    )
    if chosen["coverage"]:
        _show_coverage(checked, out, measuring)
    if chosen["shelve"]:
        from frametime.pipeline.shelf import shelf_of, shelve

        shelf_of(checked)  # told before an evening's captures are measured
    if out is None:
        raise click.UsageError("give --out FOLDER for the result, or --coverage to see what is missing")
    writing = Writing(
        charts=None if chosen["no_charts"] else charts,
        report=not chosen["no_report"],
        force=chosen["force"],
        escape_formulas=chosen["escape_formulas"],
        plan_file=plan,
    )
    result, written = make_review(checked, out, writing, **measuring)
    if not chosen["quiet"]:
        click.echo(review_text(result, details_in=PAGE if writing.report else RESULT_FILE), nl=False)
    files = [name for name in written.names if "/" not in name]
    drawn = f" and {counted(len(written.names) - len(files), 'chart')}" if len(files) < len(written.names) else ""
    click.echo(f"{len(written.names)} files in {printable(str(out))}: {', '.join(files)}{drawn}", err=True)
    if written.left_out is not None:
        click.echo(written.left_out, err=True)
    if not writing.escape_formulas and (n_cells := n_formulas(result)):
        click.echo(formula_warning(n_cells, "cells.csv and standings.csv"), err=True)
    if chosen["shelve"]:
        from frametime.pipeline.review_files import measured_plan

        measured = measured_plan(checked, kept_file=out / KEPT_RUNS_FILE, limits=measuring["limits"])
        session, n_runs = shelve(checked, measured.design, measured.placed)
        click.echo(f"{n_runs} runs are on the shelf as session '{printable(session)}'", err=True)
    ctx.exit(4 if result.unreadable else 0)


def _show_coverage(plan: ReviewPlan, out: Path | None, measuring: Mapping[str, Any]) -> None:
    """Print what is there and what is missing, and end."""

    from frametime.pipeline.review_files import review_plan
    from frametime.pipeline.review_outputs import KEPT_RUNS_FILE
    from frametime.render.review_text import coverage_text

    kept_file = None if out is None else out / KEPT_RUNS_FILE
    with nullcontext() if out is None else alone_with(out):  # what is measured is kept there
        result = review_plan(plan, kept_file=kept_file, **measuring)
    click.echo(coverage_text(result), nl=False)
    click.get_current_context().exit(0 if result.coverage.is_complete else 5)
