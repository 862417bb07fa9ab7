"""Tables of results that this package writes: beside the captures they come from, they must not be taken for some."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Final

from frametime.errors import ReadError

METADATA_KEY: Final = b"frametime"
"""Key in the metadata of an Arrow schema; in a capture, too, it holds JSON."""

_BY_COLUMNS: Final[Mapping[str, frozenset[str]]] = MappingProxyType(
    {
        "batch": frozenset(("file", "status", "judgement", "judgement_reasons", "parameters")),
        "review": frozenset(("metric", "card", "n_runs", "real_but_small", "stands_after_holm", "at_margin")),
        "review (standings)": frozenset(("cut", "metric", "best_place", "worst_place", "verdict_scenes_like_these")),
        "review (runs)": frozenset(("run_name", "judgement", "flag_grubbs", "excluded_reason", "n_frames")),
    }
)
"""Columns that only these tables have together, whatever a spreadsheet did to the file since."""
_BY_SCHEMA: Final = MappingProxyType({b'"frametime.batch/': "batch", b'"frametime.runs/': "review"})
_MAX_HEADER: Final = 1 << 16


def writer_of_names(names: Iterable[str]) -> str | None:
    """The command that wrote a table with these columns; ``None`` for any other table.

    Examples
    --------
    >>> writer_of_names(["file", "status", "average_fps"]) is None
    True
    """
    own = {name.strip() for name in names}
    return next((command.partition(" ")[0] for command, columns in _BY_COLUMNS.items() if columns <= own), None)


def writer_of_text(head: str, names: Iterable[str] | None = None) -> str | None:
    """The command that wrote a delimited text that begins so; ``None`` for any other text.

    ``names`` are those of its columns where they do not stand in its first line, as in JSON lines.
    """
    if names is not None:
        return writer_of_names(names)
    line = head[:_MAX_HEADER].lstrip("\ufeff\r\n").partition("\n")[0].rstrip("\r")
    if not any(all(name in line for name in columns) for columns in _BY_COLUMNS.values()):
        return None
    return next((found for mark in ",;\t" if (found := writer_of_names(_cells(line, mark))) is not None), None)


def _cells(line: str, delimiter: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:  # a cell beyond the limit of the module: none of ours
        return []


def writer_of_schema(metadata: Mapping[bytes, bytes] | None, names: Iterable[str]) -> str | None:
    """The command that wrote an Arrow or Parquet table; ``None`` for a capture and for tables of others."""
    about = (metadata or {}).get(METADATA_KEY, b"")[:200]
    by_schema = next((command for mark, command in _BY_SCHEMA.items() if mark in about), None)
    return by_schema or writer_of_names(names)


def no_capture(name: str, command: str) -> ReadError:
    """The refusal of such a table where a capture is asked for."""
    return ReadError.at(
        name, f"this is a table of results that 'frametime {command}' wrote, not a log", helps="give a capture"
    )
