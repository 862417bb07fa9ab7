"""``frametime check``: what one capture is worth, and its numbers."""

from __future__ import annotations

import gc
from typing import TYPE_CHECKING, Any

import click

from frametime.cli.options import (
    SIZES,
    expand_paths,
    make_measure_options,
    make_read_options,
    make_sensor_options,
    measuring_options,
    reading_options,
    segment_choice,
    sensor_options,
    skips_warm_up,
)
from frametime.cli.output import emit, styled

if TYPE_CHECKING:
    from frametime.metrics.metric import MeasuredRun
    from frametime.pipeline.gate import Requirement
    from frametime.pipeline.measuring import MeasureRequest


@click.command(
    epilog="\b\n"
    "Exit codes: 0 every capture was read and every requirement is met; 2 wrong usage;\n"
    "3 a capture cannot be used; 5 a requirement is not met."
)
@click.argument("files", nargs=-1, required=True, metavar="FILE...")
@click.option(
    "--json", "as_json", is_flag=True, help="Print JSON in full precision; one line a capture where there are several."
)
@click.option("--min", "least", multiple=True, metavar="KEY=VALUE", help="Require at least this value.")
@click.option("--max", "greatest", multiple=True, metavar="KEY=VALUE", help="Require at most this value.")
@click.option("--explain", is_flag=True, help="Print the layout that was found, with its evidence.")
@click.option("--plot", type=click.Path(dir_okay=False), help="Draw the frame times: .png, .svg or .pdf.")
@click.option("--theme", type=click.Choice(["light", "dark"]), default="light", show_default=True, help="Of --plot.")
@click.option("--size", type=click.Choice(SIZES), default="web", show_default=True, help="Of --plot.")
@click.option("--segment", metavar="N|longest", help="Measure one segment of the capture only.")
@click.option("--sensors", type=click.Path(dir_okay=False), help="Sensor log that belongs to the capture.")
@click.option("-o", "--out", metavar="FILE", help="Write to a file instead of standard output.")
@click.option("--force", is_flag=True, help="Replace a file that exists.")
@click.option("-v", "--verbose", is_flag=True, help="Show every caveat whole.")
@click.option("-q", "--quiet", is_flag=True, help="Print the judgement only.")
@reading_options
@sensor_options
@measuring_options
def check(files: tuple[str, ...], **chosen: Any) -> None:
    """Say what a capture is worth, and its numbers.

    FILE is a log with one row a frame, '-' for standard input. Patterns such as
    "runs/*.csv" are expanded by the program itself.

    \b
    Examples:
      frametime check run1.csv
      frametime check run1.csv --json
      frametime check run1.csv --min low_1pct_percentile_fps=60
      frametime check "runs/*.csv.gz" --explain
    """
    from frametime.errors import FrametimeError
    from frametime.pipeline.measuring import MeasureRequest, measure_file

    paths = expand_paths(files)
    if len(paths) > 1:
        gc.enable()
    if chosen["plot"] is not None and len(paths) > 1:
        raise click.UsageError("--plot takes one capture; 'frametime compare' draws several")
    base = MeasureRequest(
        path="-",
        read=make_read_options(chosen),
        measure=make_measure_options(chosen),
        sensors=chosen["sensors"],
        sensor_options=make_sensor_options(chosen) if chosen["sensors"] is not None else None,
        skip_start_auto=skips_warm_up(chosen),
        segment=segment_choice(chosen["segment"]),
        keep_curves=chosen["plot"] is not None,
    )
    requirements = _requirements(chosen, base)
    chosen["indent"] = 2 if len(paths) == 1 else None
    texts: list[str] = []
    missed: list[str] = []
    failed = False
    for path in paths:
        try:
            capture, run = measure_file(_for_path(base, path))
        except (FrametimeError, OSError) as error:
            if len(paths) == 1:
                raise
            click.echo(f"frametime: {error}", err=True)
            failed = True
            continue
        if (hint := _sensor_hint(path, run)) is not None:
            click.echo(f"frametime: {hint}", err=True)
        texts.append(_text(run, chosen))
        missed.extend(_missed(run, requirements))
        if chosen["plot"] is not None:
            from pathlib import Path

            from frametime.pipeline.compare_files import plot_check

            plot_check(
                capture, run, Path(chosen["plot"]), theme=chosen["theme"], size=chosen["size"], force=chosen["force"]
            )
    emit(_joined(texts, chosen), chosen["out"], force=chosen["force"])
    for sentence in missed:
        click.echo(f"not met: {sentence}", err=True)
    if failed:
        click.get_current_context().exit(3)
    if missed:
        click.get_current_context().exit(5)


_SLOW_FPS = 20.0
"""Below it a log is looked at once more: sensors are sampled up to about so many times a second."""


def _sensor_hint(path: str, run: MeasuredRun) -> str | None:
    """What to say of a sensor log that was given as a capture: each of its samples counts as a frame."""
    average = run.values["average_fps"].value
    if path == "-" or average is None or average > _SLOW_FPS:
        return None
    from frametime.adapters.file_kind import classify_file
    from frametime.errors import printable

    if classify_file(path).kind != "sensors":
        return None
    return (
        f"{printable(path, limit=1000)}: this looks like a sensor log, whose samples are taken for frames; "
        "give it with --sensors, beside its capture"
    )


def _for_path(base: MeasureRequest, path: str) -> MeasureRequest:
    from dataclasses import replace

    return replace(base, path=path)


def _requirements(chosen: dict[str, Any], base: MeasureRequest) -> list[Requirement]:
    if not chosen["least"] and not chosen["greatest"]:
        return []
    from frametime.metrics.catalog import catalog_for
    from frametime.pipeline.gate import Requirement

    known = catalog_for(base.measure)
    try:
        return [
            *(Requirement.parse(text, "min", known) for text in chosen["least"]),
            *(Requirement.parse(text, "max", known) for text in chosen["greatest"]),
        ]
    except ValueError as error:
        raise click.UsageError(str(error)) from error


def _missed(run: MeasuredRun, requirements: list[Requirement]) -> list[str]:
    if not requirements:
        return []
    from frametime.errors import printable
    from frametime.pipeline.gate import unmet

    return [f"{printable(run.provenance.file_name)}: {miss.sentence}" for miss in unmet(run, requirements)]


def _text(run: MeasuredRun, chosen: dict[str, Any]) -> str:
    if chosen["as_json"]:
        from frametime.render.plain import json_text
        from frametime.render.run_json import run_document

        return json_text(run_document(run), indent=chosen["indent"]) + "\n"
    if chosen["explain"]:
        return run.provenance.layout_toml
    if chosen["quiet"]:
        from frametime.render.check_text import judgement_text

        return judgement_text(run)
    from frametime.render.check_text import check_text

    return check_text(run, style=styled, verbose=chosen["verbose"])


def _joined(texts: list[str], chosen: dict[str, Any]) -> str:
    spaced = not (chosen["as_json"] or chosen["quiet"])
    return ("\n" if spaced else "").join(texts)
