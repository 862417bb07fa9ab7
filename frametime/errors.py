"""Errors that a user can cause and mend: each is one line that says where, what was found, and what helps.

A mistake in the calling code is a ``ValueError`` or ``TypeError`` instead, never one of these.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from typing import Self


def printable(text: str, *, limit: int = 200) -> str:
    r"""One line of ``text`` that is safe on a terminal, shortened in the middle to ``limit`` characters.

    Control characters, line ends, direction marks and lone surrogates are written as escapes, so that the
    name of a file cannot move the cursor or turn the reading direction of a message.

    Examples
    --------
    >>> printable("run\n1\u202e.csv")
    'run\\n1\\u202e.csv'
    """
    shown = text if text.isascii() and text.isprintable() else "".join(map(visible, text))
    if len(shown) <= limit:
        return shown
    half = (limit - 3) // 2
    return f"{shown[:half]}...{shown[-half:]}"


def visible(character: str) -> str:
    """A character or, of what cannot be seen, moves the cursor or turns the reading direction, its escape."""
    is_seen = character.isprintable() or unicodedata.category(character) == "Zs"
    return character if is_seen else character.encode("unicode_escape").decode("ascii")


class FrametimeError(Exception):
    """Something that the user can mend. ``str(error)`` is one printable line; the exit code is 3.

    ``place`` is the file or key with line and column, ``found`` what was found there; what helps stands behind them.
    """

    place: str = ""
    found: str = ""

    @classmethod
    def at(
        cls, where: str, found: str, *, helps: str | None = None, line: int | None = None, column: str | None = None
    ) -> Self:
        """Build the error from its parts: file (or key), line, column, what was found, what helps.

        Examples
        --------
        >>> str(ReadError.at("run1.csv", "the time is negative", line=3, column="time_s", helps="remove the row"))
        "run1.csv: line 3: column 'time_s': the time is negative; remove the row"
        """
        place = printable(where)
        if line is not None:
            place += f": line {line}"
        if column is not None:
            place += f": column '{printable(column, limit=60)}'"
        error = cls(f"{place}: {found}" + (f"; {helps}" if helps else ""))
        error.place, error.found = place, found
        return error


class ReadError(FrametimeError):
    """A log cannot be read, or cannot be read without a guess."""


class LayoutError(FrametimeError):
    """A layout file is wrong: the message names the line or key."""


class SensorError(FrametimeError):
    """A sensor log cannot be used with its capture."""


class RunSetError(FrametimeError):
    """Runs were put together that were not made under the same conditions: the message names the field."""


class PlanError(FrametimeError):
    """A review plan is wrong: the message names file, line and key."""


class RecordError(FrametimeError):
    """A tuning record or a new trial is wrong: the message names the key."""


class OutputError(FrametimeError):
    """A result cannot be written: it exists already, or the folder cannot be written."""


class EndingError(OutputError):
    """The name of an output ends in no format that can be written: wrong usage, exit code 2."""


class OptionError(FrametimeError, ValueError):
    """An option says something that cannot be used: the message names it. Also wrong usage of the function."""


def did_you_mean(word: str, known: Iterable[str], *, cutoff: float = 0.5) -> str:
    """A question for the known word that is most like a wrong one; empty where none is like it.

    Parameters
    ----------
    word : str
    known : iterable of str
    cutoff : float
        How much alike they must be, from 0 to 1 (the same).

    Examples
    --------
    >>> did_you_mean("margn", ["level", "margin"]), did_you_mean("x", ["margin"])
    ("did you mean 'margin'?", '')
    """
    import difflib

    near = difflib.get_close_matches(word, list(known), n=1, cutoff=cutoff)
    return f"did you mean '{printable(near[0], limit=60)}'?" if near else ""
