"""A folder of captures to one table, one row a capture.

Rows are written to a journal beside the output as they come, so that memory does not grow and a run that was
stopped can be taken up again; the table itself is written whole at the end and put in place by one rename.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import Executor
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal, TypeAlias

from frametime.capture import Conditions
from frametime.errors import OutputError
from frametime.metrics.metric import MeasuredRun
from frametime.metrics.options import MeasureOptions
from frametime.pipeline.measuring import MeasureOutcome, MeasureRequest
from frametime.pipeline.measuring_many import measure_many
from frametime.version import __version__

if TYPE_CHECKING:
    from frametime.adapters.base import ReadOptions
    from frametime.adapters.sensor_log import SensorOptions
    from frametime.pipeline.path_pattern import PathPattern

Row: TypeAlias = dict[str, str | int | float | None]
Status: TypeAlias = Literal["measured", "failed"]

FIXED_COLUMNS: Final = (
    "file",
    "status",
    "reason",
    "judgement",
    "judgement_reasons",
    "caveats",
    "sha256",
    "size_bytes",
    "rows_read",
    "rows_rejected",
    "n_frames",
    "duration_s",
    "parameters",
)


@dataclass(frozen=True, kw_only=True)
class BatchOptions:
    """What a batch does.

    Attributes
    ----------
    read, measure, sensor_options
        As for one file.
    path_pattern : PathPattern or None
        Its fields become columns; files that do not match it are left out and counted.
    sensors_pattern : str or None
        Where the sensor log of a capture lies, with the fields of ``path_pattern``.
    workers : int or None
        Processes; by default one a core.
    """

    read: ReadOptions
    measure: MeasureOptions = field(default_factory=MeasureOptions)
    sensor_options: SensorOptions | None = None
    path_pattern: PathPattern | None = None
    sensors_pattern: PathPattern | None = None
    skip_start_auto: bool = False
    workers: int | None = None


@dataclass(frozen=True, kw_only=True)
class FoundFile:
    """A file of the walk: where it is, its name below the folder, and the fields of its path."""

    path: Path
    name: str
    fields: Mapping[str, str]


@dataclass(frozen=True, kw_only=True)
class Walk:
    """What lies in a folder: captures, and how many files of which other kind."""

    captures: tuple[FoundFile, ...]
    other_counts: Mapping[str, int]


@dataclass(frozen=True, kw_only=True)
class BatchCount:
    """How a batch ended."""

    n_measured: int
    n_kept: int
    failures: tuple[tuple[str, str], ...]


def walk_captures(folder: Path, *, pattern: PathPattern | None = None, leave_out: Path | None = None) -> Walk:
    """Find the captures below ``folder``, in the order of their names.

    Links to folders are not followed, so that a circle of links ends; hidden names are passed over, and so is the
    file ``leave_out``, which is the table of an earlier batch.

    Raises
    ------
    OSError
        If a folder cannot be listed.
    """
    from frametime.adapters.reading import classify_file

    captures: list[FoundFile] = []
    other_counts: dict[str, int] = {}
    own = leave_out.resolve() if leave_out is not None else None
    for path in _files_below(folder):
        if own is not None and path.name == own.name and path.resolve() == own:
            continue
        name = path.relative_to(folder).as_posix()
        fields = pattern.match(name) if pattern is not None else {}
        if fields is None:
            other_counts["not matching the path pattern"] = other_counts.get("not matching the path pattern", 0) + 1
            continue
        kind = classify_file(path)
        if kind.kind == "frames":
            captures.append(FoundFile(path=path, name=name, fields=fields))
        else:
            label = "sensor logs" if kind.kind == "sensors" else "other files"
            other_counts[label] = other_counts.get(label, 0) + 1
    return Walk(captures=tuple(captures), other_counts=other_counts)


def _files_below(folder: Path) -> Iterator[Path]:
    def refuse(error: OSError) -> None:
        raise error

    for root, folders, names in os.walk(folder, onerror=refuse, followlinks=False):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in sorted(names):
            if not name.startswith("."):
                yield Path(root, name)


def parameters_digest(options: BatchOptions) -> str:
    """Twelve characters that change with anything that could change a row: options and version."""
    plain = {
        "version": __version__,
        "read": asdict(options.read),
        "measure": asdict(options.measure),
        "sensors": asdict(options.sensor_options) if options.sensor_options is not None else None,
        "skip_start_auto": options.skip_start_auto,
    }
    return hashlib.sha256(json.dumps(plain, sort_keys=True, default=str).encode()).hexdigest()[:12]


def column_names(options: BatchOptions) -> tuple[str, ...]:
    """Columns of the table: fields of the path, fixed columns, then a column a metric."""
    from frametime.metrics.catalog import catalog_for

    fields = options.path_pattern.fields if options.path_pattern is not None else ()
    return (*fields, *FIXED_COLUMNS, *catalog_for(options.measure))


def _request(found: FoundFile, folder: Path, options: BatchOptions) -> MeasureRequest:
    conditions = Conditions(**found.fields)
    sensors: str | None = None
    if options.sensors_pattern is not None:
        candidate = folder / options.sensors_pattern.path_of(found.fields)
        sensors = str(candidate) if candidate.is_file() else None
    return MeasureRequest(
        path=str(found.path),
        read=options.read,
        measure=options.measure,
        conditions=conditions,
        sensors=sensors,
        sensor_options=options.sensor_options,
        skip_start_auto=options.skip_start_auto,
        keep_curves=False,
    )


def row_of(found: FoundFile, outcome: MeasureOutcome, columns: Iterable[str], digest: str) -> Row:
    """One row of the table."""
    row: Row = dict.fromkeys(columns)
    row.update(found.fields)
    row["file"] = found.name
    row["parameters"] = digest
    if outcome.run is None:
        row["status"], row["reason"] = "failed", outcome.error
        return row
    row["status"] = "measured"
    row.update(_measured_cells(outcome.run))
    return row


def _measured_cells(run: MeasuredRun) -> Row:
    cells: Row = {
        "judgement": run.judgement.word,
        "judgement_reasons": "; ".join(run.judgement.reasons),
        "caveats": " ".join(sorted({caveat.code for caveat in run.caveats})),
        "sha256": run.provenance.sha256,
        "size_bytes": run.provenance.size_bytes,
        "rows_read": run.provenance.rows_read,
        "rows_rejected": run.provenance.rows_rejected,
        "n_frames": run.n_frames,
        "duration_s": run.duration_s,
    }
    cells.update({key: value.value for key, value in run.values.items()})
    return cells


def file_sha256(path: Path) -> str:
    """SHA-256 of the bytes of a file, in hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def run_batch(
    folder: Path,
    out: Path,
    *,
    options: BatchOptions,
    walk: Walk,
    kept: Mapping[str, Row] | None = None,
    executor: Executor | None = None,
    on_row: Callable[[Row], None] | None = None,
) -> BatchCount:
    """Measure the captures of ``walk`` and write the table ``out``.

    Parameters
    ----------
    folder : Path
    out : Path
        Its ending says the format: ``.csv``, ``.jsonl`` (or ``.ndjson``), ``.parquet``.
    options : BatchOptions
    walk : Walk
    kept : Mapping of str to Row, optional
        Rows of an earlier run by file name; one is used again when its sha256 and parameters are the same.
    executor : concurrent.futures.Executor, optional
        Where to measure.
    on_row : callable, optional
        Called with each row as it is written, for progress.

    Raises
    ------
    OutputError
        If the table cannot be written.
    """
    from frametime.pipeline.tables import open_journal, write_table

    columns = column_names(options)
    digest = parameters_digest(options)
    reusable = {name: row for name, row in (kept or {}).items() if row.get("parameters") == digest}
    failures: list[tuple[str, str]] = []
    n_measured = n_kept = 0
    journal_path = journal_of(out)
    with open_journal(journal_path) as journal:
        for found, row in _rows(
            walk, folder, options, reusable=reusable, columns=columns, digest=digest, executor=executor
        ):
            journal.add(row)
            if row["status"] == "failed":
                failures.append((found.name, str(row["reason"])))
            elif found.name in reusable and row is reusable[found.name]:
                n_kept += 1
            else:
                n_measured += 1
            if on_row is not None:
                on_row(row)
    write_table(journal_path, out, columns=columns, text_columns=_text_columns(options))
    journal_path.unlink()
    return BatchCount(n_measured=n_measured, n_kept=n_kept, failures=tuple(failures))


def journal_of(out: Path) -> Path:
    """Where the rows of an unfinished batch lie."""
    return out.with_name(f".{out.name}.unfinished.jsonl")


def _text_columns(options: BatchOptions) -> frozenset[str]:
    fields = options.path_pattern.fields if options.path_pattern is not None else ()
    text = ("file", "status", "reason", "judgement", "judgement_reasons", "caveats", "sha256", "parameters")
    return frozenset((*fields, *text))


def _rows(
    walk: Walk,
    folder: Path,
    options: BatchOptions,
    *,
    reusable: Mapping[str, Row],
    columns: tuple[str, ...],
    digest: str,
    executor: Executor | None,
) -> Iterator[tuple[FoundFile, Row]]:
    """Rows in the order of the walk, kept ones between newly measured ones."""
    keep = {
        found.name
        for found in walk.captures
        if found.name in reusable and _same_bytes(found.path, reusable[found.name])
    }
    outcomes = measure_many(
        (_request(found, folder, options) for found in walk.captures if found.name not in keep),
        workers=options.workers,
        executor=executor,
    )
    for found in walk.captures:
        if found.name in keep:
            yield found, reusable[found.name]
        else:
            yield found, row_of(found, next(outcomes), columns, digest)


def _same_bytes(path: Path, row: Row) -> bool:
    try:
        return row.get("status") == "measured" and row.get("sha256") == file_sha256(path)
    except OSError:
        return False


def check_output(out: Path, *, force: bool) -> None:
    """Refuse an output that exists, is a folder, or has an ending that names no format.

    Raises
    ------
    OutputError
    """
    from frametime.pipeline.tables import FORMATS

    if out.suffix.lower() not in FORMATS:
        raise OutputError.at(
            str(out), f"the ending {out.suffix or '(none)'!r} names no format", helps=f"use one of {', '.join(FORMATS)}"
        )
    if out.is_dir():
        raise OutputError.at(str(out), "this is a folder", helps="name a file")
    if out.exists() and not force:
        raise OutputError.at(str(out), "the file exists", helps="--force replaces it, --resume goes on with it")
    if not out.parent.is_dir():
        raise OutputError.at(str(out.parent), "there is no such folder", helps="make it first")
