"""Where a command's text goes: standard output or a file, with or without color."""

from __future__ import annotations

import itertools
import os
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Final

import click

from frametime.errors import printable
from frametime.replacing import claiming, refuse_ending, refuse_existing, write_text
from frametime.words import counted

_COLORS: Final = {
    "good": {"fg": "green", "bold": True},
    "care": {"fg": "yellow", "bold": True},
    "bad": {"fg": "red", "bold": True},
    "heading": {"bold": True},
    "faint": {"dim": True},
}


def styled(text: str, role: str) -> str:
    """``text`` in the color of its role; click takes it out again where color is not wanted."""
    return click.style(text, **_COLORS[role])  # type: ignore[arg-type]  # the table holds what style takes


def refuse_input_as_output(out: str | None, inputs: Iterable[str | None]) -> None:
    """Refuse an output that is one of the inputs, whatever way its name is written: ``--force`` is no wish to lose it.

    Raises
    ------
    click.UsageError
    """
    if out is None or out == "-" or not Path(out).exists():
        return
    for path in inputs:
        if path is not None and path != "-" and Path(path).exists() and Path(path).samefile(out):
            raise click.UsageError(f"{printable(out)} is an input and is not replaced: give the output another name")


def say_unlisted(unlisted: Mapping[str, str]) -> None:
    """Warn of each folder that cannot be listed, with the reason."""
    for name, reason in unlisted.items():
        told = f"{printable(name, limit=200)}: this folder cannot be listed ({printable(reason)})"
        click.echo(f"frametime: {told}", err=True)


def refuse_log_as_output(out: Path) -> None:
    """Refuse to replace a capture or a sensor log by something that is none: ``--force`` is no wish to lose it.

    Raises
    ------
    click.UsageError
    """
    from frametime.adapters.file_kind import classify_file

    if out.is_file() and classify_file(out).kind in ("frames", "sensors"):
        raise click.UsageError(f"{printable(str(out))} is a log and is not replaced: give the output another name")


def refuse_one_name(**outputs: str | None) -> None:
    """Refuse two outputs of one name: the second would take the place of the first.

    Parameters
    ----------
    **outputs : str or None
        Names of two or more options, without dashes, to what was given.

    Raises
    ------
    click.UsageError
    """
    given = {option: os.path.realpath(out) for option, out in outputs.items() if out is not None and out != "-"}
    for (first, path), (second, other) in itertools.combinations(given.items(), 2):
        if os.path.normcase(path) == os.path.normcase(other):
            raise click.UsageError(f"--{first} and --{second} name one file: give one of them another name")


def refuse_unwritable(out: str | None, *, force: bool, endings: Sequence[str] = (), what: str = "") -> None:
    """Stop before any work where a file could not be written, or its name ends in no format of what it is to be.

    Raises
    ------
    OutputError
    """
    if out is None or out == "-":
        return
    if endings:
        refuse_ending(Path(out), endings, what)
    refuse_existing([Path(out)], force=force)


def emit(text: str, out: str | None, *, force: bool = False) -> None:
    """Print ``text``, or write it whole to the file ``out``.

    Raises
    ------
    OutputError
        If the file exists and ``force`` is not set, or it cannot be written.
    """
    if out is None or out == "-":
        click.echo(text, nl=False)
        return
    with claiming([Path(out)], force=force):
        write_text(Path(out), click.unstyle(text))


def formula_warning(n_cells: int, where: str) -> str:
    """The line on cells of a CSV file that a spreadsheet would run."""
    looks, them = ("looks", "it") if n_cells == 1 else ("look", "them")
    return (
        f"{printable(where)}: {counted(n_cells, 'cell')} of text {looks} like a formula that a spreadsheet would run; "
        f"--escape-formulas writes {them} with an apostrophe in front"
    )
