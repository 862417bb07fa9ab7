"""``frametime batch``: a folder of captures into one table."""

from __future__ import annotations

import io
import sys
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from frametime.cli.option_values import check_sensor_fields, chosen_pattern, folder_options
from frametime.cli.options import Command, NamedPath, takes
from frametime.cli.output import formula_warning, refuse_log_as_output, say_unlisted
from frametime.errors import OutputError, printable
from frametime.replacing import alone_with
from frametime.words import counted

if TYPE_CHECKING:
    from frametime.pipeline.batch import BatchCount, BatchOptions
    from frametime.pipeline.tables import Row
    from frametime.plans.folder_walk import Walk

_MOST_LINES: Final = 3
_MOST_NAMES: Final = 3


@click.command(
    cls=Command,
    epilog="\b\n"
    "Exit codes: 0 every capture was measured; 2 wrong usage; 3 the folder or the output\n"
    "cannot be used; 4 some captures could not be measured; 130 interrupted.",
)
@click.argument("folder", type=NamedPath(file_okay=False))
@takes("batch", "worker limits", "reading", "sensors", "measuring", "limits")
def batch(folder: str, **chosen: Any) -> None:
    """Measure every capture below FOLDER into one table, one row per capture.

    A file that cannot be measured is named on standard error and has a row of its
    own with the reason. Sensor logs and other files are passed over, counted and named.

    \b
    Examples:
      frametime batch captures --out runs.csv
      frametime batch captures --out runs.parquet \\
        --path-pattern "{card}/{scene}/{resolution}/run{run}.csv.gz"
      frametime batch captures --out runs.csv --resume
      frametime batch captures --out runs/ --partition-by card,scene \\
        --path-pattern "{card}/{scene}/{resolution}/run{run}.csv.gz"
    """
    from frametime.pipeline.tables import check_output

    out = Path(chosen["out"])
    options = _options(chosen, out)
    root = Path(folder) if chosen["cluster"] is None else Path(folder).resolve()
    if not root.is_dir():
        raise OutputError.at(folder, "there is no such folder")
    may_be_replaced = chosen["force"] or chosen["resume"]
    check_output(out, force=may_be_replaced, partition_by=options.partition_by)
    _refuse_capture_as_table(out, root)
    walk = _walked(root, folder, out, options)
    with alone_with(out):
        check_output(out, force=may_be_replaced, partition_by=options.partition_by)
        count = _run(root, out, options, walk, chosen)
    if not chosen["quiet"]:
        click.echo(_closing(count, walk, out), err=True)
        _show_passed_over(walk, every=chosen["verbose"])
    for caveat in count.caveats:
        click.echo(f"frametime: {caveat.message}", err=True)
    if count.n_formula_cells and not options.escape_formulas:
        click.echo(formula_warning(count.n_formula_cells, str(out)), err=True)
    if count.n_failed or walk.unlisted:
        click.get_current_context().exit(4)


def _options(chosen: Mapping[str, Any], out: Path) -> BatchOptions:
    """The options of a command line; those that are wrong or do not go together are wrong usage."""
    from frametime.pipeline.batch import BatchOptions

    if chosen["cluster"] is not None and chosen["workers"] is not None:
        raise click.UsageError("--workers is for this machine and --cluster has its own: give one of them")
    each = folder_options(chosen)
    path_pattern = each["path_pattern"]
    sensors_pattern = chosen_pattern("--sensors-pattern", chosen["sensors_pattern"])
    check_sensor_fields(sensors_pattern, path_pattern)
    fields = chosen["partition_by"]
    partition_by = () if fields is None else tuple(name.strip() for name in fields.split(","))
    if partition_by and path_pattern is None:
        raise click.UsageError("--partition-by takes fields of --path-pattern: give that too")
    if chosen["escape_formulas"] and out.suffix.lower() != ".csv":
        raise click.UsageError("--escape-formulas is for .csv tables; other formats keep text apart from formulas")
    try:
        return BatchOptions(
            **each,
            sensors_pattern=sensors_pattern,
            workers=chosen["workers"],
            escape_formulas=chosen["escape_formulas"],
            partition_by=partition_by,
        )
    except ValueError as error:
        raise click.UsageError(str(error).replace("partition_by", "--partition-by", 1)) from error


def _refuse_capture_as_table(out: Path, root: Path) -> None:
    """Refuse to replace a log, or any file among the captures, that is no table of a batch."""
    from frametime.pipeline.tables import is_batch_table

    if not out.is_file() or out.stat().st_size == 0 or is_batch_table(out):
        return
    if root.resolve() in out.resolve().parents:
        raise click.UsageError(
            f"--out: '{printable(str(out))}' lies among the captures and is no table of a batch: it is kept"
        )
    refuse_log_as_output(out)


def _walked(root: Path, folder: str, out: Path, options: BatchOptions) -> Walk:
    """The captures below the folder; folders that cannot be listed are told."""
    from frametime.plans.folder_walk import walk_captures

    walk = walk_captures(root, pattern=options.path_pattern, leave_out=out)
    say_unlisted(walk.unlisted)
    if not walk.captures:
        raise OutputError.at(folder, "no capture was found here", helps=_others(walk) or "is this the right folder?")
    return walk


def _run(root: Path, out: Path, options: BatchOptions, walk: Walk, chosen: dict[str, Any]) -> BatchCount:
    """Measure what is to be measured, with progress on a terminal; Ctrl-C keeps the rows so far."""
    from frametime.pipeline.batch import run_batch
    from frametime.pipeline.measuring_many import cluster_executor

    is_shown = sys.stderr.isatty() and not chosen["quiet"]
    to = sys.stderr if is_shown else io.StringIO()
    drawn = click.progressbar(length=len(walk.captures), label="Measuring", file=to)

    def tell(row: Row) -> None:
        drawn.update(1)
        if row["status"] == "failed":
            click.echo("\n" * is_shown + f"failed: {printable(str(row['reason']), limit=400)}", err=True)

    try:
        with drawn, cluster_executor(chosen["cluster"]) as (executor, workers):
            return run_batch(
                root,
                out,
                options=replace(options, workers=workers) if workers is not None else options,
                walk=walk,
                resume=chosen["resume"],
                executor=executor,
                on_row=tell,
            )
    except KeyboardInterrupt:
        click.echo("frametime: interrupted; the rows so far are kept: go on with --resume", err=True)
        click.get_current_context().exit(130)


def _others(walk: Walk) -> str:
    others = sorted(walk.others.items())
    return ", ".join(counted(len(names), label.removesuffix("s"), label) for label, names in others)


def _show_passed_over(walk: Walk, *, every: bool) -> None:
    """Name the files that were passed over, in a line for each kind: what few are, before what many are."""
    from frametime.plans.folder_walk import text_of

    few_first = sorted(walk.others.items(), key=lambda item: (len(item[1]), item[0]))
    for label, names in few_first if every else few_first[:_MOST_LINES]:
        shown = list(names.items())[: None if every else _MOST_NAMES]
        more = f" and {len(names) - len(shown)} more (--verbose names them)" if len(names) > len(shown) else ""
        told = ", ".join(printable(text_of(name) + f" ({why})" * bool(why), limit=120) for name, why in shown)
        click.echo(f"passed over, {label}: {told}{more}", err=True)


def _closing(count: BatchCount, walk: Walk, out: Path) -> str:
    parts = [f"{count.n_measured} measured"]
    if count.n_kept:
        parts.append(f"{count.n_kept} kept unchanged")
    parts.append(f"{count.n_failed} failed")
    others = _others(walk)
    return f"{printable(str(out))}: {', '.join(parts)}" + (f"; passed over: {others}" if others else "")
