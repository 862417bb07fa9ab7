"""Tell frame logs from sensor logs and other neighbours in a folder, by ending and by the first 64 KiB.

A file that is named like a table (``.csv``, ``.tsv``, ``.arrow``, ``.parquet``, ...) and is empty, damaged or not what
its name says counts as a frame log: reading it then fails with a reason, and nothing is passed over in silence. A sound
table that holds no times of frames, such as a list of prices, is another file, and the tables of results that this
package writes are told by their columns. Endings that no log has are not opened.
"""

from __future__ import annotations

import io
import os
import re
import stat
from collections.abc import Iterable, Mapping, Sequence
from typing import BinaryIO, Final, Literal, NamedTuple, TypeAlias, cast

import numpy as np

from frametime.adapters.arrow.arrow_source import open_arrow, unit_text
from frametime.adapters.base import ReadOptions
from frametime.adapters.columns.column_facts import ColumnFacts
from frametime.adapters.columns.column_readings import is_sampled, middle
from frametime.adapters.columns.words import FRAME_MEANINGS, RATE, TIME_MEANINGS, Meaning, header_meaning, words_of
from frametime.adapters.stored_log import ARROW_HEADS, FIRST_BYTES, LogStream, first_block
from frametime.adapters.text.cells import number_styles
from frametime.adapters.text.dialect import detect_dialect, facts_of
from frametime.adapters.text.text_source import TextSource, open_text
from frametime.errors import FrametimeError, ReadError

Kind: TypeAlias = Literal["frames", "sensors", "results", "other"]

TABLE_ENDINGS: Final = frozenset(
    (".csv", ".tsv", ".jsonl", ".ndjson", ".tab", ".psv", ".arrow", ".arrows", ".ipc", ".feather", ".parquet", ".pq")
)
TEXT_ENDINGS: Final = frozenset((".txt", ".log", ".dat", ".asc", ".out", ".json", ""))
COMPRESSION_ENDINGS: Final = frozenset((".gz", ".bz2", ".xz", ".zst", ".zstd", ".zip"))
LOG_ENDINGS: Final = (TABLE_ENDINGS | TEXT_ENDINGS | COMPRESSION_ENDINGS) - {""}
_SLOW_STEP_NS: Final = 50_000_000


class FileKind(NamedTuple):
    """What a file is.

    Attributes
    ----------
    kind : str
        ``frames``, ``sensors``, ``results`` (a table that this package wrote) or ``other``.
    reason : str
        Why, in a few words.
    command : str or None
        Of results, the command that wrote them.
    """

    kind: Kind
    reason: str
    command: str | None = None


def classify_file(path: str | os.PathLike[str]) -> FileKind:  # noqa: PLR0911 - one line for each reason
    """What a file is, without reading more than its beginning; never raises for what the file holds.

    Parameters
    ----------
    path : path

    Examples
    --------
    >>> classify_file("notes.md").kind
    'other'
    """
    name = os.fspath(path)
    base = os.path.basename(name)  # noqa: PTH119
    stem, ending = os.path.splitext(base.casefold())  # noqa: PTH122
    ending = os.path.splitext(stem)[1] if ending in COMPRESSION_ENDINGS else ending  # noqa: PTH122
    table = ending in TABLE_ENDINGS
    broken: Kind = "frames" if table else "other"
    if not table and ending not in TEXT_ENDINGS:
        return FileKind(kind="other", reason=f"no log ends in {ending}")
    if base.startswith("."):
        return FileKind(kind="other", reason="hidden")
    try:
        if not stat.S_ISREG(os.stat(name).st_mode):  # noqa: PTH116
            # A pipe would never end, and opening one waits for a writer.
            return FileKind(broken, "it is not a file")
        with LogStream(open(name, "rb"), name=name, size=0) as stored:  # noqa: PTH123
            # The beginning of an object says nothing of the lists in it.
            if not (head := first_block(stored, 32 << 20 if ending == ".json" else FIRST_BYTES)):
                return FileKind(broken, "it is empty")
            if head.startswith(ARROW_HEADS):
                stored.seek(0)
                return _classify_arrow(cast("BinaryIO", stored))
            return _classify_text(head, name, table=table)
    except FrametimeError as error:
        return FileKind(broken, error.found)
    except OSError as error:
        return FileKind(broken, error.strerror or "it cannot be opened")


def _results(command: str) -> FileKind:
    return FileKind(kind="results", reason=f"results that 'frametime {command}' wrote", command=command)


def _classify_arrow(stored: BinaryIO) -> FileKind:
    schema = open_arrow(stored).schema
    if (command := writer_of_names(schema.names)) is not None:
        return _results(command)
    if METADATA_KEY in (schema.metadata or {}):
        return FileKind(kind="frames", reason="a capture written by this package")
    return _by_names((field.name, unit_text(field)) for field in schema)


def _classify_text(head: bytes, name: str, *, table: bool) -> FileKind:  # noqa: PLR0911 - one line for each reason
    options = ReadOptions()
    source = open_text(cast("BinaryIO", LogStream(io.BytesIO(head), name=name, size=len(head))), options)
    if (command := writer_of_text(source.head, source.names)) is not None:
        return _results(command)
    try:
        dialect = detect_dialect(source, options, looks_at_end=len(head) < FIRST_BYTES)
    except FrametimeError as error:
        return _without_rows(source, error.found, table=table)
    facts = facts_of(dialect)
    if not dialect.names:
        # A program's lines for people say of what they are, and a unit.
        words = {word for fact in facts for cell in fact.cells[:1] for word in words_of(cell)}
        is_told = words & {"frame", "frames", "fps"} and any(fact.numeric and fact.unit for fact in facts)
        why = "JSON without a list of frames" if source.head.lstrip()[:1] == "{" else "rows of numbers without names"
        return FileKind(kind="frames" if table or is_told else "other", reason=why)
    times = [fact for fact in facts if fact.meaning in TIME_MEANINGS and fact.numeric]
    sensors = [fact for fact in facts if fact.is_of_sensor]
    meanings = {fact.meaning for fact in facts if fact.numeric} & FRAME_MEANINGS
    # What names say of single frames counts before how fast the rows come: a game may run at 15 frames a second.
    if times and any(fact.is_of_one_frame for fact in facts):
        return FileKind(kind="frames", reason="columns say something of single frames")
    # A rate beside sensors may be logged once a second, as they are.
    if Meaning.FRAME_TIME in meanings or (meanings and not (sensors and times and _is_slow(times, facts))):
        return FileKind(kind="frames", reason="a column holds frame times or rates")
    if not times:
        return FileKind("sensors" if sensors and len(facts) > 1 else "other", "no column holds a time")
    if sensors and _is_slow(times, facts):
        return FileKind(kind="sensors", reason="few rows a second, with columns of sensors")
    return FileKind(kind="frames", reason="a column holds times")


def _is_slow(times: Sequence[ColumnFacts], facts: Sequence[ColumnFacts]) -> bool:
    """Whether rows come more than 50 ms apart, or evenly, as samples do; the newest may stand first."""
    style = number_styles(cell for fact in facts if fact.numeric for cell in fact.cells)[0][0]
    for time in (fact._replace(style=style) for fact in times):
        steps = np.abs(np.diff(time.known_ns())) if time.unit is not None else np.zeros(0)
        if (steps > 0).any():
            step = middle(steps[steps > 0])
            rates = [fact._replace(style=style).known_ns(RATE) for fact in facts if fact.meaning is Meaning.RATE]
            # A rate that says how far apart the rows are is that of the rows: each is a frame.
            is_of_rows = any(spans.size and abs(middle(spans) - step) < step / 10 for spans in rates)
            return (step > _SLOW_STEP_NS or is_sampled(steps[steps > 0])) and not is_of_rows
    # Many rows of one moment are of many sensors. Without a unit the columns decide: a log of frames seldom has two of
    # sensors and nothing of frames.
    return steps.size > 0 or sum(fact.is_of_sensor for fact in facts) >= 2


def _without_rows(source: TextSource, why: str, *, table: bool) -> FileKind:
    """A text without rows of numbers: a log that was broken off if its names are those of a log."""
    first = next((line for line in source.head.splitlines() if line.strip()), "")
    names = ((cell.strip().strip("\"'"), "") for cell in re.split("[,;\t|]", first)[:200])
    return _by_names(names, why=why) if table and len(source.head) < FIRST_BYTES else FileKind("other", why)


def _by_names(names: Iterable[tuple[str, str]], *, why: str = "") -> FileKind:
    """What a table is by the names of its columns and their units."""
    said = [header_meaning(*each) for each in names]
    meanings = {one.meaning for one in said}
    if meanings & FRAME_MEANINGS:
        return FileKind(kind="frames", reason=why or "a column holds frame times or rates")
    if any(one.other_unit is not None for one in said):
        return FileKind(kind="sensors", reason=why or "columns of sensors")
    if meanings & TIME_MEANINGS:
        return FileKind(kind="frames", reason=why or "a column holds times")
    return FileKind(kind="other", reason=why or "no column holds a time")


METADATA_KEY: Final = b"frametime"
"""Key in the metadata of an Arrow schema; in a capture, too, it holds JSON."""

_BY_COLUMNS: Final[Mapping[str, frozenset[str]]] = {
    "batch": frozenset(("file", "status", "judgement", "judgement_reasons", "parameters")),
    "review": frozenset(("metric", "card", "n_runs", "real_but_small", "stands_after_holm", "at_margin")),
    "review (standings)": frozenset(("cut", "metric", "best_place", "worst_place", "verdict_scenes_like_these")),
    "review (runs)": frozenset(("run_name", "judgement", "flag_grubbs", "excluded_reason", "n_frames")),
    "review (kept runs)": frozenset(("key", "size_bytes", "curves", "run")),
    "shelf": frozenset(("card", "run", "session", "recorded_from_utc", "scene_settings", "average_fps")),
}
"""Columns that only these tables have together, whatever a spreadsheet did to the file since."""


def writer_of_names(names: Iterable[str]) -> str | None:
    """The command that wrote a table with these columns; ``None`` for any other table.

    Examples
    --------
    >>> writer_of_names(["file", "status", "average_fps"]) is None
    True
    """
    own = {name.strip('"\r ') for name in names}
    return next((command.partition(" ")[0] for command, columns in _BY_COLUMNS.items() if columns <= own), None)


def writer_of_text(head: str, names: Iterable[str] | None = None) -> str | None:
    """The command that wrote a delimited text or JSON that begins so; ``None`` for any other text.

    ``names`` are those of its columns where they do not stand in its first line, as in JSON lines.
    """
    if own := re.match(r'\s*\{\s*"schema": ?"frametime\.(\w+)', head):
        return own[1].replace("run", "check")
    line = head.lstrip("\ufeff\r\n").partition("\n")[0]
    return writer_of_names(re.split("[,;\t]", line) if names is None else names)


def no_capture(name: str, command: str) -> ReadError:
    """The refusal of such a table where a capture is asked for."""
    return ReadError.at(name, f"this holds {_results(command).reason}, and is no log", helps="give a capture")
