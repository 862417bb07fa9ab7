"""A folder of captures to one table, one row a capture.

Rows are written to a journal beside the output as they come, so that memory does not grow and a run that was
stopped can be taken up again; the table itself is written whole at the end and put in place by one rename.
"""

from __future__ import annotations

import hashlib
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import cached_property
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Final

from frametime import __version__
from frametime.caveats import Caveat
from frametime.pipeline import measuring, tables
from frametime.pipeline.measuring_many import FolderOptions, measure_many
from frametime.pipeline.tables import Row
from frametime.plans.folder_walk import FoundFile, Walk, path_from, sensor_log_beside, text_of, walk_captures
from frametime.render.data_output import Column, frame_of
from frametime.replacing import alone_with

if TYPE_CHECKING:
    import polars as pl

    from frametime.plans.path_pattern import PathPattern


FIXED_COLUMNS: Final = (
    *map(Column, ("file", "status", "reason", "judgement", "judgement_reasons", "caveats", "sha256", "sensors_sha256")),
    Column("size_bytes", "whole", "By"),
    Column("rows_read", "whole", "1"),
    Column("rows_rejected", "whole", "1"),
    Column("n_frames", "whole", "1"),
    Column("duration_s", "number", "s"),
    Column("parameters"),
)

_FROM_PROVENANCE: Final = ("sha256", "size_bytes", "rows_read", "rows_rejected")


@dataclass(frozen=True, kw_only=True)
class BatchOptions(FolderOptions):
    """What a batch does.

    Attributes
    ----------
    sensors_pattern : PathPattern or None
        Where the sensor log of a capture lies, with the fields of ``path_pattern``, which become columns.
    workers : int or None
        Processes; by default one a core.
    escape_formulas : bool
        In CSV, write an apostrophe before text that a spreadsheet would take for a formula.
    partition_by : tuple of str
        Fields of ``path_pattern`` by whose values the rows are parted into Parquet files in folders; empty for one
        table.
    """

    sensors_pattern: PathPattern | None = None
    workers: int | None = None
    escape_formulas: bool = False
    partition_by: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        known = self.path_pattern.fields if self.path_pattern is not None else ()
        if strange := [name for name in self.partition_by if name not in known]:
            fields = ", ".join(known) or "none"
            raise ValueError(f"partition_by: {strange[0]!r} is no field of the path pattern; its fields: {fields}")
        if len(set(self.partition_by)) < len(self.partition_by):
            raise ValueError(f"partition_by names a field twice: {', '.join(self.partition_by)}")


def columns_of(options: BatchOptions) -> tuple[Column, ...]:
    """Columns of the table: fields of the path, fixed columns, then a column a metric."""
    from frametime.metrics.catalog import catalog_for

    fields = options.path_pattern.fields if options.path_pattern is not None else ()
    return (
        *(Column(name) for name in fields),
        *FIXED_COLUMNS,
        *(Column(key, "number", metric.unit) for key, metric in catalog_for(options.measure).items()),
    )


@dataclass(frozen=True)
class _Batch:
    """A folder and what is asked of its captures; the columns and the digest of the parameters are worked out once."""

    folder: Path
    options: BatchOptions
    walk: Walk

    @cached_property
    def columns(self) -> tuple[Column, ...]:
        return columns_of(self.options)

    @cached_property
    def digest(self) -> str:
        """Twelve characters that change with anything that could change a row: options and version."""
        of = self.options
        pattern = None if of.sensors_pattern is None else of.sensors_pattern.text
        plain = __version__, of.read, of.measure, of.sensor_options, of.skip_start_auto, of.segment, pattern
        return hashlib.sha256(repr(plain).encode("utf-8", "surrogatepass")).hexdigest()[:12]

    def sensors_of(self, found: FoundFile) -> Path | None:
        """The sensor log of a capture, where the pattern names one and it is there; else that under its name."""
        if self.options.sensors_pattern is None:
            return sensor_log_beside(found.path)
        candidate = self.folder / self.options.sensors_pattern.path_of(found.fields)
        return candidate if candidate.is_file() else None

    def digest_of(self, found: FoundFile) -> str:
        """The digest of the parameters, with the layouts that are kept beside a capture where there are any."""
        kept = measuring.layouts_sha256(found.path)
        return self.digest if kept is None else hashlib.sha256(f"{self.digest} {kept}".encode()).hexdigest()[:12]

    def row_of(self, found: FoundFile, outcome: measuring.MeasureOutcome, digest: str) -> Row:
        """One row of the table; a reason names files from the folder, wherever it lies and however it was typed."""
        row: Row = {column.name: None for column in self.columns}
        row |= {**found.text_fields, "file": found.text_name, "parameters": digest}
        if (run := outcome.run) is None:
            return row | {"status": "failed", "reason": outcome.error_for(found.text_name, self.folder)}
        row |= {name: getattr(run.provenance, name) for name in _FROM_PROVENANCE}
        row |= {key: value.value for key, value in run.values.items()}
        return row | {
            "status": "measured",
            "judgement": run.judgement.word,
            "judgement_reasons": "; ".join(run.judgement.reasons),
            "caveats": " ".join(sorted({caveat.code for caveat in run.caveats})),
            "n_frames": run.n_frames,
            "duration_s": run.duration_s,
            "sensors_sha256": outcome.sensors_sha256,
        }

    def is_still_true(self, row: Row, found: FoundFile) -> bool:
        """Whether an earlier row would be measured again to the same: the bytes of its files are the same."""
        sensors = self.sensors_of(found)
        try:
            now = {
                "status": "measured",
                "parameters": self.digest_of(found),
                "sha256": measuring.file_sha256(found.path),
                "sensors_sha256": None if sensors is None else measuring.file_sha256(sensors),
            }
        except OSError:
            return False
        return now.items() <= row.items()

    def measured(
        self, waiting: Sequence[int], unusable: list[tuple[str, str]], executor: Executor | None
    ) -> Iterator[tuple[int, Row]]:
        """Rows of these captures, by their numbers, in their order.

        ``unusable`` gets the names of those whose sensor log could not be used, and why.
        """
        digests: deque[str] = deque()  # as before each was measured
        options = self.options
        are_found = options.sensors_pattern is None

        def request_at(at: int) -> measuring.MeasureRequest:
            found = self.walk.captures[at]
            digests.append(self.digest_of(found))
            sensors = self.sensors_of(found)
            return options.request_of(found.path, found.text_fields, sensors, sensors_are_found=are_found)

        requests = map(request_at, waiting)
        outcomes = measure_many(requests, workers=options.workers, limits=options.limits, executor=executor)
        for at, outcome in zip(waiting, outcomes, strict=True):
            found = self.walk.captures[at]
            if outcome.run is not None and (why := measuring.unusable_sensors(outcome.run)) is not None:
                unusable.append((found.text_name, why))
            yield at, self.row_of(found, outcome, digests.popleft())


@dataclass(frozen=True, kw_only=True)
class BatchCount:
    """How a batch ended.

    Attributes
    ----------
    n_measured, n_kept, n_failed : int
        Captures; the reason of each failure stands in its row.
    n_formula_cells : int
        Cells of a CSV table that a spreadsheet would take for formulas, written as they are or with an apostrophe.
    caveats : tuple of Caveat
        What is to be known of several captures at once.
    """

    n_measured: int
    n_kept: int
    n_failed: int
    n_formula_cells: int
    caveats: tuple[Caveat, ...] = ()


def run_batch(
    folder: Path,
    out: Path,
    *,
    options: BatchOptions,
    walk: Walk,
    resume: bool = False,
    executor: Executor | None = None,
    on_row: Callable[[Row], None] | None = None,
) -> BatchCount:
    """Measure the captures of ``walk`` and write the table ``out``, which is replaced if it is there.

    Memory does not grow with the number of captures, but for their names.

    Parameters
    ----------
    folder : Path
    out : Path
        Its ending says the format: ``.csv``, ``.jsonl`` (or ``.ndjson``), ``.parquet``; a folder with
        ``options.partition_by``.
    options : BatchOptions
    walk : Walk
    resume : bool
        Use rows of the table ``out`` and of a batch that was stopped again, where the bytes of the files and all
        parameters are the same.
    executor : concurrent.futures.Executor, optional
        Where to measure; any will do, and it is not shut down.
    on_row : callable, optional
        Called with each row, for progress: the kept ones first, the others as they are measured.

    Raises
    ------
    OutputError
        If the table cannot be written, another process writes it, or ``resume`` finds a file at ``out`` that no batch
        has written, or the rows of an unfinished batch of other captures or parameters.
    """
    if resume:
        tables.refuse_other_table(out)
    batch = _Batch(folder, options, walk)
    places: dict[int, int] = {}
    tell = on_row if on_row is not None else lambda row: None
    n_failed = 0
    # Folder and table stay together wherever they are moved: a batch that goes on is of the same call.
    call: Row = {"captures": text_of(path_from(folder, out.parent)), "parameters": batch.digest}
    with alone_with(out):
        with tables.open_journal(journal_of(out), call=call, keep=resume) as add:
            for at, place, row in _kept_rows(out, batch, add) if resume else ():
                places[at] = place
                tell(row)
            unusable: list[tuple[str, str]] = []
            waiting = [at for at in range(len(walk.captures)) if at not in places]
            for at, row in batch.measured(waiting, unusable, executor):
                places[at] = add(row)
                n_failed += row["status"] == "failed"
                tell(row)
        n_formulas = _write(out, batch, places)
        journal_of(out).unlink()
    n_measured = len(waiting) - n_failed
    return BatchCount(
        n_measured=n_measured,
        n_kept=len(places) - len(waiting),
        n_failed=n_failed,
        n_formula_cells=n_formulas,
        caveats=measuring.sensors_caveat(unusable, n_measured),
    )


def journal_of(out: Path) -> Path:
    """Where the rows of an unfinished batch lie."""
    return out.with_name(f".{out.name}.unfinished.jsonl")


def _kept_rows(out: Path, batch: _Batch, add: tables.AddRow) -> Iterator[tuple[int, int, Row]]:
    """Each capture of which an earlier row is still true: its number, and the place of the row in the journal.

    The journal takes in the rows of a finished table.
    """
    numbers = {found.text_name: at for at, found in enumerate(batch.walk.captures)}
    table = ((None, row) for row in (tables.read_table(out, columns=batch.columns) if out.exists() else ()))
    for place, row in chain(tables.journal_rows(journal_of(out)), table):
        at = numbers.get(str(row.get("file")))
        if at is not None and batch.is_still_true(row, batch.walk.captures[at]):
            del numbers[str(row["file"])]
            yield at, add(row) if place is None else place, row


def _write(out: Path, batch: _Batch, places: Mapping[int, int]) -> int:
    """Write the table from the journal; the cells of CSV that look like formulas are counted."""
    captures, options = batch.walk.captures, batch.options
    with journal_of(out).open("rb") as journal:

        def rows(numbers: Iterable[int]) -> Iterator[Row]:
            for at in numbers:
                found = captures[at]
                # What the path says is taken from the path: the pattern may be another than that of a kept row.
                yield {**tables.row_at(journal, places[at]), **found.text_fields, "file": found.text_name}

        if not options.partition_by:
            every = rows(range(len(places)))
            return tables.write_table(every, out, columns=batch.columns, escape_formulas=options.escape_formulas)
        fields = [tuple(map(found.text_fields.get, options.partition_by)) for found in captures]
        numbers = sorted(range(len(places)), key=lambda at: [value or "" for value in fields[at]])
        tables.write_partitions(rows(numbers), out, columns=batch.columns, partition_by=options.partition_by)
        return 0


def batch_frame(
    folder: str | Path,
    *,
    options: BatchOptions | None = None,
    walk: Walk | None = None,
    executor: Executor | None = None,
) -> pl.DataFrame:
    """Measure the captures below a folder into a frame, one row a capture: the table of `run_batch`, without a file.

    Parameters
    ----------
    folder : path
    options : BatchOptions, optional
        By default as ``frametime batch`` without options.
    walk : Walk, optional
        The captures; by default all below ``folder`` that fit the path pattern of the options.
    executor : concurrent.futures.Executor, optional
        Where to measure; any will do, and it is not shut down.
    """
    from frametime.adapters.base import ReadOptions

    options, folder = options or BatchOptions(read=ReadOptions()), Path(folder)
    walk = walk_captures(folder, pattern=options.path_pattern) if walk is None else walk
    batch = _Batch(folder, options, walk)
    return frame_of([row for _, row in batch.measured(range(len(walk.captures)), [], executor)], batch.columns)
