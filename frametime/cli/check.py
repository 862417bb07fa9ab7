"""``frametime check``: can one capture be trusted, and what are its numbers; ``metrics`` says what these mean."""

from __future__ import annotations

import gc
import math
from collections.abc import Collection
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import click

from frametime.cli import option_values
from frametime.cli.options import Command, takes
from frametime.cli.output import emit, refuse_input_as_output, refuse_one_name, refuse_unwritable, styled
from frametime.errors import FrametimeError, did_you_mean
from frametime.units import shown_unit

if TYPE_CHECKING:
    from frametime.capture import Capture
    from frametime.metrics.metric import MeasuredRun, Metric
    from frametime.pipeline.measuring import MeasureRequest


@click.command(
    cls=Command,
    epilog="\b\n"
    "Exit codes: 0 every capture was read and every requirement is met; 2 wrong usage;\n"
    "3 a capture cannot be used; 5 a requirement is not met.",
)
@click.argument("files", nargs=-1, required=True, metavar="FILE...")
@takes("check", "plot", "check files", "reading", "sensors", "measuring", "limits", "intervals")
def check(files: tuple[str, ...], **chosen: Any) -> None:
    """Say whether a capture can be trusted, and give its numbers.

    FILE is a log with one row per frame, '-' for standard input. Patterns such as
    "runs/*.csv" are expanded by the program itself.

    \b
    Examples:
      frametime check run1.csv
      frametime check run1.csv --json
      frametime check run1.csv --min low_1pct_percentile_fps=60
      frametime check "runs/*.csv.gz" --explain
    """
    from frametime.render.check_text import shown_name

    paths = option_values.expand_paths(files)
    if len(paths) > 1:
        gc.enable()
    option_values.refuse_standard_input_twice(paths, chosen["sensors"])
    option_values.refuse_second_form(("as_json", "explain", "quiet", "verbose"))
    option_values.refuse_idle_plot("out")
    refuse_one_name(out=chosen["out"], plot=chosen["plot"])
    for output in (chosen["out"], chosen["plot"]):
        refuse_input_as_output(output, [*paths, chosen["sensors"], chosen["layout"], chosen["sensor_layout"]])
    refuse_unwritable(chosen["out"], force=chosen["force"])
    if chosen["plot"] is not None:
        from frametime.render.charts.theme import ENDINGS

        if len(paths) > 1:
            raise click.UsageError("--plot takes one capture; 'frametime compare' draws several")
        refuse_unwritable(chosen["plot"], force=chosen["force"], endings=ENDINGS, what="chart")
    besides = {path: chosen["sensors"] or option_values.sensors_beside(path) for path in paths}
    if chosen["sensors"] is None:  # a log that is read with its capture is no capture, though a pattern takes it in
        read_along = {Path(found) for found in besides.values() if found is not None}
        paths = [path for path in paths if Path(path) not in read_along]
    base = _request(chosen, with_sensors=any(besides.values()))
    requirements = _requirements(chosen, base)
    texts: list[str] = []
    missed: list[str] = []
    for path in paths:
        is_found = besides[path] is not None and base.sensors is None
        request = replace(base, path=path, sensors=besides[path], sensors_are_found=is_found)
        if (measured := _measured(request, go_on=len(paths) > 1)) is None:
            continue
        run = measured[1]
        texts.append(_text(run, path, chosen, indent=2 if len(paths) == 1 else None))
        told = (requirement.missed(run) for requirement in requirements)
        missed += [f"{shown_name(run, path)}: {sentence}" for sentence in told if sentence is not None]
        if chosen["plot"] is not None:
            _plot(measured, chosen)
    emit(("" if chosen["as_json"] or chosen["quiet"] else "\n").join(texts), chosen["out"], force=chosen["force"])
    for sentence in missed:
        click.echo(f"not met: {sentence}", err=True)
    if len(texts) < len(paths):
        click.get_current_context().exit(3)
    if missed:
        click.get_current_context().exit(5)


def _request(chosen: dict[str, Any], *, with_sensors: bool) -> MeasureRequest:
    """What is asked of each file; its path is still to be put in."""
    from frametime.pipeline.measuring import MeasureRequest

    return MeasureRequest(
        path="-",
        read=option_values.make_read_options(chosen),
        measure=option_values.make_measure_options(chosen),
        sensors=chosen["sensors"],
        sensor_options=option_values.make_sensor_options(chosen, needs="--sensors", given=with_sensors),
        skip_start_auto=option_values.skips_warm_up(chosen),
        segment=option_values.number_or("longest", chosen["segment"], int, "--segment takes a number"),
        keep_curves=chosen["plot"] is not None,
    )


def _measured(request: MeasureRequest, *, go_on: bool) -> tuple[Capture, MeasuredRun] | None:
    """One file, measured; None where it cannot be used, that is told, and others are to follow."""
    from frametime.pipeline.measuring import measure_file, sensor_log_hint

    try:
        capture, run = measure_file(request)
    except (FrametimeError, OSError) as error:
        if not go_on:
            raise
        click.echo(f"frametime: {error}", err=True)
        return None
    if (hint := sensor_log_hint(request.path, run)) is not None:
        click.echo(f"frametime: {hint}", err=True)
    return capture, run


def _plot(measured: tuple[Capture, MeasuredRun], chosen: dict[str, Any]) -> None:
    from frametime.pipeline.chart_files import plot_run
    from frametime.render.charts.theme import Theme

    theme = Theme.of(chosen["theme"], chosen["size"])
    plot_run(*measured, Path(chosen["plot"]), theme=theme, force=chosen["force"])


class Requirement(NamedTuple):
    """Metric key, which side, and the value that is still allowed."""

    key: str
    side: Literal["min", "max"]
    value: float

    @classmethod
    def parse(cls, text: str, side: Literal["min", "max"], known: Collection[str]) -> Requirement:
        """Read ``KEY=VALUE``.

        Raises
        ------
        click.UsageError
            If the text has another form, the key is not known (the nearest one is named) or the value is no number.
        """
        key, equals, value_text = text.partition("=")
        if not equals:
            raise click.UsageError(f"--{side} takes KEY=VALUE, not {text!r}")
        _refuse_unknown(key, known, f"--{side}: ")
        try:
            value = float(value_text)
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            raise click.UsageError(f"--{side} {key}: {value_text!r} is not a number")
        return cls(key, side, value)

    def missed(self, run: MeasuredRun) -> str | None:
        """What a run lacks, in a sentence; a metric without a value meets nothing. ``None`` where it is met."""
        found = run.values[self.key]
        unit = shown_unit(found.unit)
        bound = f"{'at least' if self.side == 'min' else 'at most'} {self.value:g} {unit}".rstrip()
        if found.value is None:
            return f"{self.key} is not available ({found.reason}), {bound} is required"
        short = self.value - found.value if self.side == "min" else found.value - self.value
        if short <= 0.0:
            return None
        way = "below" if self.side == "min" else "above"
        actual = f"{found.value:.6g} {unit}".rstrip()
        return f"{self.key} is {actual}, {bound} is required: {f'{short:.3g} {unit}'.rstrip()} {way}"


def _requirements(chosen: dict[str, Any], base: MeasureRequest) -> list[Requirement]:
    from frametime.metrics.catalog import catalog_for

    known = catalog_for(base.measure)
    return [
        *(Requirement.parse(text, "min", known) for text in chosen["least"]),
        *(Requirement.parse(text, "max", known) for text in chosen["greatest"]),
    ]


def _text(run: MeasuredRun, path: str, chosen: dict[str, Any], *, indent: int | None) -> str:
    if chosen["as_json"]:
        from frametime.render.data_output import json_text, run_document

        return json_text(run_document(run, path=path), indent=indent) + "\n"
    if chosen["explain"]:
        return run.provenance.layout_toml
    from frametime.render.check_text import check_text, judgement_text

    if chosen["quiet"]:
        return judgement_text(run, path=path)
    return check_text(run, path=path, style=styled, verbose=chosen["verbose"])


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

    catalog = catalog_for(option_values.make_measure_options(chosen))
    for key in keys:
        _refuse_unknown(key, catalog)
    rows = [catalog[key] for key in keys] or list(catalog.values())
    if as_json:
        from frametime.render.data_output import json_text

        names = [name for name in rows[0]._fields if name != "compute"]
        click.echo(json_text([{name: getattr(row, name) for name in names} for row in rows]))
    elif keys:
        click.echo("\n\n".join(_whole(row) for row in rows))
    else:
        click.echo(_table(rows))


def _refuse_unknown(key: str, known: Collection[str], where: str = "") -> None:
    """Refuse the key of a metric that there is not, with the one that is most like it."""
    if key not in known:
        hint = did_you_mean(key, known, cutoff=0.6) or "'frametime metrics' lists them all"
        raise click.UsageError(f"{where}there is no metric {key!r}; {hint}")


def _whole(row: Metric) -> str:
    from frametime.render.terminal_text import wrapped

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
    lines: list[str] = []
    group = None
    for row in rows:
        if row.group != group:
            group = row.group
            lines.extend(([""] if lines else []) + [click.style(group, bold=True)])
        lines.append(f"  {row.key:<34}{shown_unit(row.unit):<10}{row.label}"[:100])
    return "\n".join(lines)
