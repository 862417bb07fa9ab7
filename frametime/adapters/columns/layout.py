"""A column layout: a few lines of TOML that settle what a log leaves open; and those kept beside logs of one shape."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Annotated, Any, Final, Literal, TypeAlias

from frametime.adapters.columns.words import unit_named, unit_names
from frametime.errors import LayoutError
from frametime.settings.toml_source import TomlSource, load_toml, one_of, toml_lines

ColumnRef: TypeAlias = str | int
"""Name of a column, or its position counted from 1 where it has none."""

CHOICES: Final[Mapping[str, tuple[str, ...]]] = {
    "kind": ("timestamp", "frame time", "rate"),
    "delimiter": (",", ";", "\t", "|", " ", "^", "~", "none"),
    "encoding": ("utf-8", "utf-16-le", "utf-16-be", "cp1252", "latin-1", "cp1251", "shift_jis", "gbk"),
    "decimal": (".", ","),
    "quote": ('"', "'", "none"),
    "thousands": (",", ".", "'", " ", "none"),
}
"""What keys may hold that know a few words only."""
TIMED_ROLES: Final = ("simulation_start", "displayed", "gpu_work", "cpu_work")
"""Columns of times beside the time: what a layout and a capture call them, without ``_column`` and ``_ns``."""
FLAG_ROLES: Final = ("dropped", "shown")
"""Of two columns, that which says that a frame was shown counts: it comes last."""
_UNIT_OF: Final = {"time_column": "unit"} | {f"{role}_column": f"{role}_unit" for role in ("frame_time", *TIMED_ROLES)}
"""Which key holds the unit of which column."""
_MAX_BYTES: Final = 64 * 1024
_MAX_LINE: Final = 2**53


@dataclass(frozen=True, kw_only=True)
class Layout:
    """How one log is laid out. ``None`` means: find it in the log.

    Attributes
    ----------
    time_column : str, int or None
        Name of the column that holds the time, or its position counted from 1.
    unit : str or None
        Unit of that column: ``s``, ``ms``, ``us``, ``ns``, ``100ns``, ``fps``, ``h:m:s``, ``iso8601``, ...
    kind : str or None
        ``timestamp`` (time at which each frame ended), ``frame time`` (how long each took) or ``rate``.
    frame_time_column, frame_time_unit
        A second column with the frame times, where the time column holds timestamps.
    simulation_start_column, displayed_column, gpu_work_column, cpu_work_column, shown_column, dropped_column
        Other columns by meaning, each with its ``..._unit`` where it has one.
    stream_column
        Column with the name of the application or stream, where a log holds several.
    delimiter, decimal, thousands, quote, encoding
        How the text is written; ``none`` for a single column, or where no such mark is used.
    header_line, units_line, first_data_line : int or None
        Counted from 1; 0 for ``header_line`` and ``units_line`` means that there is none.

    Examples
    --------
    >>> Layout.from_toml('time_column = "t"\\nunit = "ms"\\n', "bench.toml").unit
    'ms'
    """

    time_column: ColumnRef | None = None
    unit: str | None = None
    kind: str | None = None
    frame_time_column: ColumnRef | None = None
    frame_time_unit: str | None = None
    simulation_start_column: ColumnRef | None = None
    simulation_start_unit: str | None = None
    displayed_column: ColumnRef | None = None
    displayed_unit: str | None = None
    gpu_work_column: ColumnRef | None = None
    gpu_work_unit: str | None = None
    cpu_work_column: ColumnRef | None = None
    cpu_work_unit: str | None = None
    shown_column: ColumnRef | None = None
    dropped_column: ColumnRef | None = None
    stream_column: ColumnRef | None = None
    delimiter: str | None = None
    decimal: str | None = None
    thousands: str | None = None
    quote: str | None = None
    encoding: str | None = None
    header_line: int | None = None
    units_line: int | None = None
    first_data_line: int | None = None

    @classmethod
    def from_toml(cls, text: str, name: str) -> Layout:
        """The layout written in ``text``; ``name`` is the file name shown in errors.

        Raises
        ------
        LayoutError
            If the text is not TOML, or a key or value is not allowed: the message names file, line and key.
        """
        return cls(**layout_values(text, name, layout_types())[1])

    def to_toml(self, *, comments: Mapping[str, str] | None = None) -> str:
        """The layout as the text of a layout file: one line for each key that is set.

        Parameters
        ----------
        comments : Mapping, optional
            Key to the sentence that is written after the value, for example the evidence.

        Examples
        --------
        >>> print(Layout(time_column="t", unit="ms").to_toml(comments={"unit": "in the header"}), end="")
        time_column = "t"
        unit = "ms"  # in the header
        """
        return toml_lines(vars(self), comments=comments)


def layout_types() -> dict[str, Any]:
    """What each key of a layout may hold, for the reader of TOML."""
    from msgspec import Meta

    words = "the name of a column in quotes, or its position counted from 1"
    column = Annotated[str | Annotated[int, Meta(ge=1, lt=100_000)], Meta(description=words)]
    line = Annotated[int, Meta(ge=0, lt=_MAX_LINE, description="a line number from 0")]
    first_line = Annotated[int, Meta(ge=1, lt=_MAX_LINE, description="a line number from 1")]
    unit = Annotated[str, Meta(description=f"one of {unit_names()}")]
    known: dict[str, Any] = {"header_line": line, "units_line": line, "first_data_line": first_line}
    known |= {key: choice_type(each) for key, each in CHOICES.items()}
    return {key: column if key.endswith("_column") else unit for key in vars(Layout())} | known


def choice_type(words: Iterable[str]) -> Any:
    """One of a few words, told in their order."""
    from msgspec import Meta

    literal: Any = Literal
    return Annotated[literal[tuple(words)], Meta(description=one_of(tuple(words)))]


def layout_values(text: str, name: str, types: Mapping[str, Any]) -> tuple[TomlSource, dict[str, Any]]:
    """The keys that are set in the text of a layout, each of its type.

    Units that are none, units without their column, and numbers that cannot be told from delimiters are refused.

    Raises
    ------
    LayoutError
    """
    import msgspec

    from frametime.settings.decoding import decoded

    if len(text) > _MAX_BYTES:
        raise LayoutError.at(name, f"the layout has {len(text)} characters", helps="a layout is a few lines long")
    source = TomlSource.read(text, name, LayoutError)
    keys = msgspec.defstruct("Keys", [(key, kind, None) for key, kind in types.items()])
    values = msgspec.structs.asdict(decoded(source, keys))
    for column_key, unit_key in _UNIT_OF.items():
        if (unit := source.at((unit_key,))) is None:
            continue
        if unit_named(unit) is None:
            raise source.refuse((unit_key,), f"one of {unit_names()}")
        if column_key != "time_column" and source.at((column_key,)) is None:
            raise source.fault((unit_key,), f"is given without {column_key}", f"add {column_key}, or remove {unit_key}")
    if source.at(("delimiter",)) == source.at(("decimal",)) == "," and source.at(("quote",)) == "none":
        found = "and decimal are both ',' and cells have no quotes"
        raise source.fault(("delimiter",), found, "one of them must differ")
    return source, {key: value for key, value in values.items() if value is not None}


LAYOUTS_NAME: Final = "frametime-layouts.toml"
OF_ONE_FILE: Final = ("delimiter", "quote", "encoding", "header_line", "units_line", "first_data_line")
_HEAD: Final = "# Kept by --remember: how logs in this folder are read that have these columns.\n"


def remembered_layout(log: str, names: Sequence[str], n_columns: int) -> Layout | None:
    """The layout that was kept for logs of such columns; ``None`` where there is none.

    Parameters
    ----------
    log : str
        Path of the log.
    names : sequence of str
        Of its columns; empty where they have none.
    n_columns : int

    Raises
    ------
    LayoutError
        If the file of layouts is damaged.
    """
    path, shape = layouts_beside(log), list(names) if any(names) else n_columns
    kept = next((entry for entry in _entries(path) if entry.pop("columns") == shape), None)
    return None if kept is None else Layout.from_toml(toml_lines(kept), str(path))


def remember(log: str, names: Sequence[str], n_columns: int, layout: Layout) -> None:
    """Keep the columns, units and marks of a layout beside a log, in place of what was kept for such logs.

    Raises
    ------
    LayoutError
        If the file of layouts is damaged.
    OutputError
        If it cannot be written.
    """
    from frametime.replacing import claiming, write_text

    path, shape = layouts_beside(log), list(names) if any(names) else n_columns
    if path is None:
        return
    kept = {key: value for key, value in asdict(layout).items() if key not in OF_ONE_FILE}
    with claiming([path], force=True):
        entries = [*(entry for entry in _entries(path) if entry["columns"] != shape), {"columns": shape, **kept}]
        text = _HEAD + "".join(f"\n[[log]]\n{toml_lines(entry)}" for entry in entries)
        if not path.is_file() or path.read_text("utf-8") != text:
            write_text(path, text)


def layouts_beside(log: str) -> Path | None:
    """Where the layouts for a log are kept, whether there are any or not; ``None`` where the log is no file."""
    return Path(os.path.dirname(log), LAYOUTS_NAME) if os.path.isfile(log) else None  # noqa: PTH113, PTH120 - quick


def _entries(path: Path | None) -> list[dict[str, Any]]:
    if path is None or not path.is_file():
        return []
    try:
        entries = load_toml(path.read_text("utf-8")).get("log", [])
    except ValueError as error:
        raise LayoutError.at(str(path), f"it cannot be read ({error})", helps="repair it, or remove it") from None
    if not isinstance(entries, list) or not all(isinstance(e, dict) and "columns" in e for e in entries):
        raise LayoutError.at(str(path), "it holds other things than [[log]] with columns", helps="remove it")
    return entries
