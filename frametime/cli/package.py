"""What is kept of a review and handed on: ``frametime pack`` and ``verify`` a package, ``frametime shelf``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from frametime.cli.option_values import make_read_options, make_sensor_options
from frametime.cli.options import NAME, Command, CommandGroup, NamedPath, takes
from frametime.cli.output import refuse_log_as_output
from frametime.errors import OutputError, printable
from frametime.replacing import refuse_ending


@click.command(cls=Command)
@click.argument("result", type=NamedPath(path_type=Path))
@takes("pack", "plan reading")
def pack(result: Path, out: Path, no_frames: bool, force: bool, **chosen: Any) -> None:
    """Pack the RESULT folder of a review with its plan and captures into one file.

    Anyone can check it with one command, frametime verify.

    \b
    Examples:
      frametime pack result --out review.zip
      frametime pack result --out review.zip --no-frames
    """
    from frametime.pipeline.package import pack as write

    refuse_ending(out, [".zip", ".ZIP"], "package")
    refuse_log_as_output(out)
    read, sensors = make_read_options(chosen), make_sensor_options(chosen, needs="a plan", given=True)
    n_captures = write(result, out, frames=not no_frames, force=force, read=read, sensors=sensors)
    held = "its measured runs" if no_frames else f"{n_captures} captures"
    click.echo(f"{printable(str(out))}: the result, its plan and {held}", err=True)


@click.command(cls=Command)
@click.argument("package", type=NamedPath(path_type=Path))
def verify(package: Path) -> None:
    """Make the review in a PACKAGE again, and compare every table.

    Nothing of the package is written to the disk. Exit code 5: something differs.

    \b
    Example:
      frametime verify review.zip
    """
    from frametime.pipeline.package import CAPTURES, MEASURED
    from frametime.pipeline.package import verify as check

    found = check(package)
    captures = [item for item in found if item.name.startswith(CAPTURES) and item.is_equal]
    holds_measured = any(item.name == MEASURED for item in found)
    for item in found:
        if item not in captures:
            mark = "equal  " if item.is_equal else "DIFFERS"
            click.echo(f"{mark}  {printable(item.name)}: {item.words}")
    if captures:
        click.echo(f"equal    {len(captures)} captures: hash")
    elif holds_measured:
        click.echo("The package holds no captures: the review was made again from its measured runs.")
    click.get_current_context().exit(0 if all(item.is_equal for item in found) else 5)


_SHELF = click.argument("folder", type=NamedPath(path_type=Path))


@click.group(cls=CommandGroup)
def shelf() -> None:
    """Look at the shelf, which holds the measured runs of earlier sessions.

    frametime review --shelve fills it; [shelf] in a plan takes cards from it.

    \b
    Examples:
      frametime shelf list shelf
      frametime shelf show shelf amber-6
    """


@shelf.command("list")
@_SHELF
def list_(folder: Path) -> None:
    """List the cards of each session."""
    _show(folder, None)


@shelf.command()
@_SHELF
@click.argument("card", type=NAME)
def show(folder: Path, card: str) -> None:
    """List the cells of a CARD in each session."""
    _show(folder, card)


@shelf.command()
@_SHELF
@click.argument("session", type=NAME)
def remove(folder: Path, session: str) -> None:
    """Take a SESSION off the shelf, whole."""
    from frametime.pipeline.shelf import take_off

    take_off(folder, session)
    click.echo(f"session '{printable(session)}' is off the shelf", err=True)


def _show(folder: Path, card: str | None) -> None:
    from frametime.pipeline.shelf import sessions_on
    from frametime.render.terminal_text import text_table

    frame = sessions_on(folder, card)
    if frame.is_empty():
        wrong = f"it holds no card '{printable(card or '')}'"
        raise OutputError.at(str(folder), wrong, helps="frametime shelf list shows its cards")
    places = ["scene", "resolution"] if card is not None else ["card", "cells"]
    columns = ["session", *places, "runs", "average_fps", "day", "driver"]
    rows = [
        [f"{value:.1f}" if isinstance(value, float) else "" if value is None else str(value) for value in row]
        for row in frame.select(columns).iter_rows()
    ]
    mean = "Average FPS" if card is not None else "FPS over its cells"
    heading = [{"average_fps": mean}.get(name, name.capitalize()) for name in columns]
    right = frozenset(at for at, name in enumerate(columns) if name in ("cells", "runs", "average_fps"))
    click.echo(text_table(heading, rows, right=right))
