"""``frametime convert``: a capture as Arrow IPC or Parquet."""

from __future__ import annotations

from typing import Any

import click

from frametime.cli.option_values import make_read_options, refuse_auto_start
from frametime.cli.options import NAME, Command, NamedPath, reading_options
from frametime.cli.output import refuse_input_as_output


@click.command(cls=Command)
@click.argument("source", metavar="IN", type=NAME)
@click.argument("target", metavar="OUT", type=NamedPath(dir_okay=False))
@click.option("--force", is_flag=True, help="Replace files that are there.")
@reading_options
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
    from frametime.errors import printable

    refuse_auto_start(chosen, "the warm-up is found by measuring")
    refuse_input_as_output(target, [source, chosen["layout"]])
    capture = read_capture(source, options=make_read_options(chosen))
    write_capture(capture, target, force=force)
    click.echo(f"{printable(target, limit=1000)}: {capture.n_frames} frames", err=True)
