"""Layouts that were settled once and kept beside the logs, for other logs of the same columns in that folder."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from frametime.adapters.base import ReadOptions
from frametime.adapters.columns.layout import Layout
from frametime.caveats import Caveat, Weight
from frametime.errors import LayoutError

FILE_NAME: Final = "frametime-layouts.toml"
_HEAD: Final = (
    "# Kept by --remember: how logs in this folder are read that have these columns, by name or by their number.\n"
)


def with_remembered(
    log: str, names: Sequence[str], n_columns: int, options: ReadOptions
) -> tuple[ReadOptions, tuple[Caveat, ...]]:
    """The options with the layout that was kept for such a log, and a note that says so; what is told wins.

    Parameters
    ----------
    log : str
        Path of the log.
    names : sequence of str
        Of its columns; empty where they have none.
    n_columns : int
    options : ReadOptions

    Raises
    ------
    LayoutError
        If the file of layouts is damaged.
    """
    told = (options.layout, options.time_column, options.unit)
    path = layouts_beside(log)
    if any(each is not None for each in told) or path is None or not path.is_file():
        return options, ()
    for entry in _entries(path):
        if entry.get("columns") == _shape(names, n_columns):
            note = Caveat(
                code="layout-remembered",
                message=f"Read with the layout that {FILE_NAME} keeps for logs of these columns.",
                weight=Weight.NOTE,
            )
            return replace(options, layout=_layout(entry, path)), (note,)
    return options, ()


def remember(log: str, names: Sequence[str], n_columns: int, layout: Layout) -> None:
    """Keep the columns, units and marks of a layout beside a log, in place of what was kept for such logs.

    Raises
    ------
    LayoutError
        If the file of layouts is damaged.
    OutputError
        If it cannot be written.
    """
    from frametime.replacing import write_text
    from frametime.settings.toml_source import toml_lines

    path = layouts_beside(log)
    if path is None:
        return
    shape = _shape(names, n_columns)
    kept = replace(layout, delimiter=None, quote=None, encoding=None, header_line=None, units_line=None)
    kept = replace(kept, first_data_line=None)
    entries = _entries(path) if path.is_file() else []
    blocks = [(e["columns"], _layout(e, path)) for e in entries if e.get("columns") != shape]
    blocks.append((shape, kept))
    tables = (f"\n[[log]]\n{toml_lines({'columns': columns})}{each.to_toml()}" for columns, each in blocks)
    text = _HEAD + "".join(tables)
    if not path.is_file() or path.read_text("utf-8") != text:
        write_text(path, text)


def layouts_beside(log: str) -> Path | None:
    """Where the layouts for a log are kept, whether there are any or not; ``None`` where the log is no file."""
    return Path(log).parent / FILE_NAME if os.path.isfile(log) else None  # noqa: PTH113 - quick, once a log


def _shape(names: Sequence[str], n_columns: int) -> list[str] | int:
    return list(names) if any(names) else n_columns


def _entries(path: Path) -> list[dict[str, Any]]:
    from frametime.settings.toml_source import load_toml

    try:
        entries = load_toml(path.read_text("utf-8")).get("log", [])
    except ValueError as error:
        raise LayoutError.at(str(path), f"it cannot be read ({error})", helps="repair it, or remove it") from None
    if not isinstance(entries, list) or not all(isinstance(e, dict) and "columns" in e for e in entries):
        raise LayoutError.at(str(path), "it holds other things than [[log]] with columns", helps="remove it")
    return entries


def _layout(entry: dict[str, Any], path: Path) -> Layout:
    from frametime.settings.toml_source import toml_lines

    return Layout.from_toml(toml_lines({key: value for key, value in entry.items() if key != "columns"}), str(path))
