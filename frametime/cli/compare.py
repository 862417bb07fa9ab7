"""``frametime compare`` draws a few captures side by side; ``frametime convert`` writes one in another form."""

from __future__ import annotations

from typing import Any

import click

from frametime.cli import option_values
from frametime.cli.options import NAME, Command, NamedPath, takes
from frametime.cli.output import refuse_input_as_output
from frametime.errors import printable

MOST_FILES = 32


@click.command(cls=Command)
@click.argument("files", nargs=-1, required=True, metavar="FILE...")
@takes("compare", "drawing", "reading", "frames")
def compare(files: tuple[str, ...], **chosen: Any) -> None:
    """Draw the charts of a few captures side by side.

    No plan is needed, and no verdict is given: single runs say nothing about how
    sure a difference is. 'frametime review' does, from repeated runs.

    The main numbers of each capture are written to standard error.

    \b
    Charts: frame-times (one per capture), frame-time-panels, frame-time-overlay,
    percentiles, distribution; with --only frame-time-band, for long runs. With
    sensors, 'frametime check --plot' draws one capture.

    \b
    Examples:
      frametime compare stock.csv tuned.csv --out charts
      frametime compare "runs/*.csv" --out charts --theme dark --size video-4k
      frametime compare a.csv b.csv --out charts --label stock --label tuned --title "What tuning brought"
    """
    from frametime.pipeline.chart_files import COMPARE_KEYS, compare_captures
    from frametime.pipeline.measuring import MeasureRequest

    paths = list(dict.fromkeys(path for given in files for path in _captures(given)))
    if chosen["labels"] and len(chosen["labels"]) != len(paths):
        raise click.UsageError(f"--label is given {len(chosen['labels'])} times for {len(paths)} captures")
    if len(paths) > MOST_FILES:
        raise click.UsageError(f"compare draws up to {MOST_FILES} captures, not {len(paths)}; 'review' takes more")
    request = option_values.make_chart_request(chosen, COMPARE_KEYS)
    read, options = option_values.make_read_options(chosen), option_values.make_measure_options(chosen)
    requests = [
        MeasureRequest(path=path, read=read, measure=options, skip_start_auto=option_values.skips_warm_up(chosen))
        for path in paths
    ]
    written = compare_captures(
        requests,
        chosen["out"],
        request=request,
        labels=chosen["labels"],
        title=chosen["title"],
        force=chosen["force"],
        on_hint=lambda hint: click.echo(f"frametime: {hint}", err=True),
        on_numbers=lambda line: click.echo(printable(line), err=True),
    )
    for path in written:
        click.echo(printable(str(path)))


def _captures(given: str) -> list[str]:
    """The captures that a path or pattern names; sensor logs and other files that a pattern takes in are left out."""
    found = option_values.expand_paths((given,))
    if found == [given]:
        return found
    from frametime.adapters.file_kind import classify_file

    captures = [path for path in found if classify_file(path).kind == "frames"]
    if not captures:
        raise click.UsageError(f"{given!r} matches no capture")
    return captures


@click.command(cls=Command)
@click.argument("source", metavar="IN", type=NAME)
@click.argument("target", metavar="OUT", type=NamedPath(dir_okay=False))
@takes("force", "reading")
def convert(source: str, target: str, force: bool, **chosen: Any) -> None:
    """Write the capture IN as OUT: .arrow (Arrow IPC) or .parquet.

    Units, provenance and the layout that was found go with it, and it is read
    back as the same capture.

    \b
    Examples:
      frametime convert run1.csv run1.parquet
      frametime convert - run1.arrow < run1.csv
    """
    from frametime.adapters.arrow.arrow_file import write_capture
    from frametime.adapters.reading import read_capture

    option_values.refuse_auto_start(chosen, "the warm-up is found by measuring")
    refuse_input_as_output(target, [source, chosen["layout"]])
    capture = read_capture(source, options=option_values.make_read_options(chosen))
    write_capture(capture, target, force=force)
    click.echo(f"{printable(target, limit=1000)}: {capture.n_frames} frames", err=True)
