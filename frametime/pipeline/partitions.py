"""Tables in folders that are named for what their rows share: ``card=brae-41/scene=harbor/part-0.parquet``.

This is the layout of Apache Hive, which engines that read Parquet know: the columns by which rows are parted stand in
the names of folders and not in the files, signs other than letters, digits and ``-._~`` as ``%`` and two digits.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Final, TypeAlias
from urllib.parse import quote

from frametime.errors import EndingError, OutputError, printable
from frametime.pipeline.journal import Row
from frametime.pipeline.tables import FORMATS, Column, write_parquet
from frametime.replacing import refuse_existing, replacing_folder

Key: TypeAlias = tuple[str | None, ...]

NO_VALUE: Final = "__HIVE_DEFAULT_PARTITION__"
_PART: Final = "part-0.parquet"


def folder_name(field: str, value: str | None) -> str:
    """Name of the folder of the rows whose ``field`` has this value.

    Raises
    ------
    OutputError
        If the value is the very word that stands for no value.

    Examples
    --------
    >>> folder_name("card", "brae-41"), folder_name("scene", "old town/1"), folder_name("scene", None)
    ('card=brae-41', 'scene=old%20town%2F1', 'scene=__HIVE_DEFAULT_PARTITION__')
    """
    if value == NO_VALUE:
        raise OutputError(f"{field} '{NO_VALUE}' would be read back as no value; rename it")
    return f"{field}={NO_VALUE if value is None else quote(value, safe='')}"


def write_partitions(
    out: Path,
    parts: Mapping[Key, Sequence[int]],
    rows: Callable[[Iterable[int]], Iterable[Row]],
    *,
    columns: Sequence[Column],
    partition_by: Sequence[str],
) -> None:
    """Write the folder ``out`` whole: one Parquet file for each key of ``parts``, one after another.

    Parameters
    ----------
    out : Path
    parts : Mapping
        Values of ``partition_by`` to the numbers of the rows that have them.
    rows : callable
        Rows by their numbers.
    columns : sequence of Column
    partition_by : sequence of str

    Raises
    ------
    OutputError
    """
    _refuse_strangers(out)
    inside = [column for column in columns if column.name not in partition_by]
    with replacing_folder(out) as making:
        for key, numbers in parts.items():
            folder = making.joinpath(*(folder_name(*pair) for pair in zip(partition_by, key, strict=True)))
            folder.mkdir(parents=True)
            write_parquet(rows(numbers), folder / _PART, inside)


def check_partitions(out: Path, *, force: bool) -> None:
    """Refuse a folder that cannot be written, or that holds something that is no such table.

    Raises
    ------
    OutputError
    """
    if out.suffix.lower() in FORMATS:
        raise EndingError.at(str(out), "--partition-by writes a folder", helps="name one, such as runs/")
    if out.name in {"", ".."}:
        raise OutputError.at(str(out), "this names no folder of its own", helps="name one, such as runs/")
    _refuse_strangers(out)
    refuse_existing([out], force=force, helps="--force replaces it, --resume goes on with it", are_folders=True)


def _refuse_strangers(out: Path) -> None:
    """Replace nothing but what `write_partitions` could have written."""
    if out.is_symlink() or (out.exists() and not out.is_dir()):
        raise OutputError.at(str(out), "this is not a folder", helps="name another")
    stranger = _stranger(out) if out.exists() else None
    if stranger is not None:
        raise OutputError.at(
            str(out),
            f"it holds '{printable(stranger)}', which no earlier batch has written, and would be lost",
            helps="name another folder",
        )


def _stranger(folder: Path) -> str | None:
    """Something in the folder that `write_partitions` would not have put there."""
    for entry in sorted(folder.iterdir()):
        if entry.is_dir() and not entry.is_symlink() and "=" in entry.name:
            inner = _stranger(entry)
            if inner is not None:
                return inner
        elif not (entry.is_file() and entry.name == _PART):
            return entry.relative_to(folder).name
    return None
