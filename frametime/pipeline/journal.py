"""The journal of a batch: rows written one by one as they come, which a run that was stopped goes on from."""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import IO, Final, TypeAlias

from frametime.errors import OutputError

Cell: TypeAlias = str | int | float | None
Row: TypeAlias = dict[str, Cell]

_PIECE_BYTES: Final = 1 << 16


class Journal:
    """Rows written one by one, each whole or not at all after a stop."""

    def __init__(self, stream: IO[bytes], path: Path) -> None:
        self._stream = stream
        self._path = path
        self._end = stream.seek(0, os.SEEK_END)

    def add(self, row: Mapping[str, Cell]) -> int:
        """Write one row, hand it to the system, and say at which byte it lies.

        Raises
        ------
        OutputError
            If the disk is full, or the row cannot be written for another reason.
        """
        line = (json.dumps(row, ensure_ascii=True, allow_nan=False) + "\n").encode("ascii")
        place = self._end
        self._end += len(line)
        try:
            # Not buffered: a line that could not be written must not be tried again when the file is closed.
            while line:
                line = line[self._stream.write(line) :]
        except OSError as error:
            raise OutputError.at(
                str(self._path.parent),
                f"no more rows can be written here ({error.strerror or error})",
                helps="the rows so far are kept: make room, and go on with --resume",
            ) from error
        return place


@contextlib.contextmanager
def open_journal(path: Path, *, call: Row, keep: bool = False) -> Iterator[Journal]:
    """A journal at ``path`` to write on: a new one, or with ``keep`` the one that lies there, after its last whole row.

    Its first row is ``call``, what was asked for: only a journal of the same call is kept.

    Raises
    ------
    OutputError
        If it cannot be written, or is of another call.
    """
    first = next(read_journal(path), None) if keep and path.exists() else None
    if first is not None and first != call:
        raise OutputError.at(
            str(path),
            "the rows of an unfinished batch of other captures or parameters lie here",
            helps="go on with its own options, begin anew with --force and without --resume, or name another --out",
        )
    keep = first is not None
    try:
        stream = path.open("r+b" if keep else "wb", buffering=0)
    except OSError as error:
        raise OutputError.at(str(path.parent), f"cannot write here ({error.strerror})") from error
    with stream:
        if keep:
            stream.truncate(_end_of_lines(stream))
        journal = Journal(stream, path)
        if not keep:
            journal.add(call)
        yield journal


def _end_of_lines(stream: IO[bytes]) -> int:
    """Where the last line that has its end, ends; what comes after was cut off by a stop."""
    end = stream.seek(0, os.SEEK_END)
    while end > 0:
        start = max(0, end - _PIECE_BYTES)
        stream.seek(start)
        at = stream.read(end - start).rfind(b"\n")
        if at >= 0:
            return start + at + 1
        end = start
    return 0


def journal_rows(path: Path) -> Iterator[tuple[int, Row]]:
    """Rows of a journal with the bytes at which they lie; a line that is damaged is passed over."""
    place = 0
    with path.open("rb") as stream:
        for line in stream:
            row = _row(line)
            if row is not None:
                yield place, row
            place += len(line)


def _row(line: bytes) -> Row | None:
    if not line.endswith(b"\n"):
        return None
    try:
        row = json.loads(line)
    except ValueError:
        return None
    return row if isinstance(row, dict) else None


def read_journal(path: Path) -> Iterator[Row]:
    """Rows of a journal; a line that is damaged or cut off is passed over."""
    return (row for _, row in journal_rows(path))


class JournalReader:
    """Single rows of a journal by their places, so that none need be held in memory."""

    def __init__(self, stream: IO[bytes]) -> None:
        self._stream = stream

    def row_at(self, place: int) -> Row:
        """The row that `Journal.add` wrote at ``place``."""
        self._stream.seek(place)
        row = _row(self._stream.readline())
        assert row is not None
        return row


@contextlib.contextmanager
def open_reader(path: Path) -> Iterator[JournalReader]:
    """A reader of the journal at ``path``."""
    with path.open("rb") as stream:
        yield JournalReader(stream)
