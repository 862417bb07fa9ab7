"""``frametime pack`` and ``frametime verify``: a review as one file that others can check."""

from __future__ import annotations

from pathlib import Path

import click

from frametime.cli.options import Command, NamedPath
from frametime.cli.output import refuse_log_as_output


@click.command(cls=Command)
@click.argument("result", type=NamedPath(path_type=Path))
@click.option("--out", "-o", type=NamedPath(path_type=Path), metavar="FILE", required=True, help="The package, a .zip.")
@click.option("--no-frames", is_flag=True, help="Leave the captures out: nobody can make the review again then.")
@click.option("--force", is_flag=True, help="Replace files that are there.")
def pack(result: Path, out: Path, no_frames: bool, force: bool) -> None:
    """Pack the RESULT folder of a review with its plan and captures into one file.

    Anyone can check it with one command, frametime verify.

    \b
    Examples:
      frametime pack result --out review.zip
      frametime pack result --out review.zip --no-frames
    """
    from frametime.errors import printable
    from frametime.pipeline.package import pack as write
    from frametime.replacing import refuse_ending

    refuse_ending(out, [".zip", ".ZIP"], "package")
    refuse_log_as_output(out)
    n_captures = write(result, out, frames=not no_frames, force=force)
    click.echo(f"{printable(str(out))}: the result, its plan and {n_captures} captures", err=True)


@click.command(cls=Command)
@click.argument("package", type=NamedPath(path_type=Path))
def verify(package: Path) -> None:
    """Make the review in a PACKAGE again, and say table by table whether it is the same.

    Nothing of the package is written to the disk. Exit code 5: something differs.

    \b
    Example:
      frametime verify review.zip
    """
    from frametime.errors import printable
    from frametime.pipeline.package import CAPTURES
    from frametime.pipeline.package import verify as check

    found = check(package)
    captures = [item for item in found if item.name.startswith(CAPTURES) and item.is_equal]
    for item in found:
        if item not in captures:
            mark = "equal  " if item.is_equal else "DIFFERS"
            click.echo(f"{mark}  {printable(item.name)}: {item.words}")
    if captures:
        click.echo(f"equal    {len(captures)} captures: hash")
    else:
        click.echo("The package holds no captures: the review was not made again.")
    click.get_current_context().exit(0 if all(item.is_equal for item in found) else 5)
