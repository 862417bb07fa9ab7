"""``frametime film``: frame times beside the footage."""

from __future__ import annotations

import re
import sys
from fractions import Fraction
from pathlib import Path
from typing import Any

import click

from frametime.cli.option_values import make_read_options
from frametime.cli.options import Command, takes
from frametime.cli.output import refuse_input_as_output
from frametime.errors import ReadError, printable


def _rate(text: str) -> Fraction:
    """Pictures a second, as a number or as a fraction such as 60000/1001."""
    try:
        rate = Fraction(text)
    except (ValueError, ZeroDivisionError):
        rate = Fraction(0)
    if not 1 <= rate <= 1000:
        raise click.BadParameter(f"'{text}' is not 1 to 1000, as 60 or 60000/1001.")
    return rate


def _color(text: str) -> str:
    """A color such as #3399cc."""
    if not re.fullmatch(r"#[0-9A-Fa-f]{6}", text):
        raise click.BadParameter(f"'{text}' is not as #3399cc.")
    return text


def _pixels(text: str) -> tuple[int, int]:
    """Width and height in pixels, such as 1920x1080."""
    width, _, height = text.lower().partition("x")
    if not all(side.isdecimal() and 180 <= int(side) <= 8192 for side in (width, height)):
        raise click.BadParameter(f"'{text}' is not a size from 180x180 to 8192x8192 pixels, such as 1920x1080.")
    return int(width) // 2 * 2, int(height) // 2 * 2


@click.command(cls=Command)
@click.argument("captures", nargs=-1, required=True, metavar="CAPTURE...")
@takes("film", "reading", rate=_rate, color=_color, pixels=_pixels)
def film(captures: tuple[str, ...], **chosen: Any) -> None:
    """Draw frame times in step with the recorded footage.

    Each picture shows what the capture held up to that moment, never more.
    Numbers change four times a second. One to four captures of one scene.

    \b
    Examples:
      frametime film run.csv --start 3.2 --out trace.mov
      frametime film a.csv b.csv --label "Brae 41" --label "Tarn 6" --out trace.webm
      frametime film run.csv --start 3.2 --over footage.mp4 --out shown.mp4
      frametime film run.csv --find-start footage.mp4
    """
    from frametime.film.film_files import MOST_CAPTURES, write_clip, write_over
    from frametime.film.picture import SHOWN, Clip, ClipLook, track_of
    from frametime.pipeline.measuring import MeasureRequest, read_part
    from frametime.render.charts.theme import PALETTES

    n = len(captures)
    if n > MOST_CAPTURES:
        raise click.UsageError(f"film shows up to {MOST_CAPTURES} captures, not {n}")
    if (chosen["out"] is None) == (chosen["find_start"] is None):
        raise click.UsageError("give --out FILE, or --find-start FOOTAGE to look where the capture begins")
    for option, key in (("label", "labels"), ("color", "colors"), ("sensors", "sensors")):
        if chosen[key] and len(chosen[key]) != n:
            raise click.UsageError(f"--{option} is given once for each capture")
    if len(chosen["starts"]) not in (0, 1, n):
        raise click.UsageError("--start is given once, or once for each capture")
    starts_s = chosen["starts"] if len(chosen["starts"]) == n else (chosen["starts"] or (0.0,)) * n
    read = make_read_options(chosen)
    sensors = chosen["sensors"] or (None,) * n
    labels = chosen["labels"] or [Path(path).name if n > 1 else "" for path in captures]
    colors = chosen["colors"] or PALETTES[chosen["theme"]].series[:n]
    tracks = [
        track_of(
            read_part(MeasureRequest(path=path, read=read, sensors=log)), label=label, color=color, start_s=start_s
        )
        for path, log, label, color, start_s in zip(captures, sensors, labels, colors, starts_s, strict=True)
    ]
    if chosen["find_start"] is not None:
        _show_starts(tracks[0], chosen["find_start"], captures[0])
        return
    out = chosen["out"]
    refuse_input_as_output(str(out), [*captures, *sensors, chosen["over"]])
    look = ClipLook(
        width=chosen["size"][0],
        height=chosen["size"][1],
        theme=chosen["theme"],
        place=chosen["place"],
        motion=chosen["motion"],
        window_s=chosen["window"],
        shown=chosen["show"] or SHOWN,
    )
    with click.progressbar(length=1000, label="Drawing", file=sys.stderr) as bar:

        def tell(share: float) -> None:
            bar.update(round(1000 * share) - bar.pos)

        if chosen["over"] is not None:
            n_pictures = write_over(tracks, look, chosen["over"], out, force=chosen["force"], on_progress=tell)
        else:
            codec = "lossless" if chosen["lossless"] else "prores"
            clip = Clip(tracks, look)
            n_pictures = write_clip(clip, out, fps=chosen["fps"], codec=codec, force=chosen["force"], on_progress=tell)
    click.echo(f"{printable(str(out))}: {n_pictures} pictures")


def _show_starts(track: Any, footage: Path, capture: str) -> None:
    from frametime.film.film_files import find_start

    if not (found := find_start(track, footage)):
        wrong = "neither a flash, a sound nor still pictures show where the capture begins"
        raise ReadError.at(str(footage), wrong, helps="look for it by eye, and give --start")
    for estimate in found:
        click.echo(f"By {estimate.sign}: --start {estimate.start_s:.3f} (give or take {estimate.plus_minus_s:.3f} s)")
    which = "it" if len(found) == 1 else "one of them"
    click.echo(f"Look at the footage there before you use {which} with {printable(capture)}.")
