"""What the options of ``frametime batch`` ask for, and the outputs that it refuses to replace."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from frametime.cli.option_values import make_measure_options, make_read_options, make_sensor_options, skips_warm_up
from frametime.cli.output import refuse_log_as_output
from frametime.cli.pattern_options import chosen_pattern, refuse_unknown_sensor_fields

if TYPE_CHECKING:
    from frametime.pipeline.batch import BatchOptions
    from frametime.pipeline.path_pattern import PathPattern


def make_batch_options(chosen: Mapping[str, Any], out: Path) -> BatchOptions:
    """The options of a command line.

    Raises
    ------
    click.UsageError
        If one of them is wrong, or does not go with another.
    """
    from frametime.pipeline.batch import BatchOptions

    if chosen["cluster"] is not None and chosen["workers"] is not None:
        raise click.UsageError("--workers is for this machine and --cluster has its own: give one of them")
    path_pattern = chosen_pattern("--path-pattern", chosen["path_pattern"])
    sensors_pattern = chosen_pattern("--sensors-pattern", chosen["sensors_pattern"])
    sensor_options = make_sensor_options(chosen, needs="--sensors-pattern", given=sensors_pattern is not None)
    refuse_unknown_sensor_fields(sensors_pattern, path_pattern)
    return BatchOptions(
        read=make_read_options(chosen),
        measure=make_measure_options(chosen),
        sensor_options=sensor_options,
        path_pattern=path_pattern,
        sensors_pattern=sensors_pattern,
        skip_start_auto=skips_warm_up(chosen),
        workers=chosen["workers"],
        escape_formulas=_for_csv(chosen["escape_formulas"], out),
        partition_by=_partition_fields(chosen["partition_by"], path_pattern, out),
    )


def refuse_capture_as_table(out: Path, root: Path) -> None:
    """Refuse to replace a log, or any file among the captures, that is no table of a batch.

    Raises
    ------
    click.UsageError
    """
    from frametime.pipeline.batch_table import is_batch_table

    if not out.is_file() or out.stat().st_size == 0 or is_batch_table(out):
        return
    if root.resolve() in out.resolve().parents:
        from frametime.errors import printable

        raise click.UsageError(
            f"--out: '{printable(str(out))}' lies among the captures and is no table of a batch: it is kept"
        )
    refuse_log_as_output(out)


def _for_csv(escape_formulas: bool, out: Path) -> bool:
    """Refuse the escaping of formulas in a table that no spreadsheet opens as text."""
    if escape_formulas and out.suffix.lower() != ".csv":
        raise click.UsageError("--escape-formulas is for .csv tables; other formats keep text apart from formulas")
    return escape_formulas


def _partition_fields(text: str | None, pattern: PathPattern | None, out: Path) -> tuple[str, ...]:
    """The fields of ``--partition-by``, in their order."""
    from frametime.pipeline.batch_table import FORMATS

    if text is None:
        return ()
    if out.suffix.lower() in FORMATS:
        raise click.UsageError(
            f"--partition-by writes a folder of Parquet files, not a {out.suffix} file: name a folder"
        )
    if pattern is None:
        raise click.UsageError("--partition-by takes fields of --path-pattern: give that too")
    fields = tuple(name.strip() for name in text.split(","))
    for name in fields:
        if name not in pattern.fields:
            known = ", ".join(pattern.fields) or "none"
            raise click.UsageError(f"--partition-by: {name!r} is no field of --path-pattern; its fields: {known}")
    if len(set(fields)) < len(fields):
        raise click.UsageError("--partition-by names a field twice")
    return fields
