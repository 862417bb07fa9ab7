"""What a batch is asked for, and the rows and columns of its table."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

from frametime.adapters.columns.remembered import layouts_beside
from frametime.capture import Conditions
from frametime.metrics.options import MeasureOptions
from frametime.pipeline.journal import Row
from frametime.pipeline.measuring import MeasureOutcome, MeasureRequest
from frametime.pipeline.table_frames import Column
from frametime.pipeline.worker_pool import WorkerLimits
from frametime.plans.folder_walk import FoundFile
from frametime.version import __version__

if TYPE_CHECKING:
    from frametime.adapters.base import ReadOptions
    from frametime.adapters.sensors.sensor_log import SensorOptions
    from frametime.plans.path_pattern import PathPattern

FIXED_COLUMNS: Final = (
    Column(name="file", kind="text"),
    Column(name="status", kind="text"),
    Column(name="reason", kind="text"),
    Column(name="judgement", kind="text"),
    Column(name="judgement_reasons", kind="text"),
    Column(name="caveats", kind="text"),
    Column(name="sha256", kind="text"),
    Column(name="sensors_sha256", kind="text"),
    Column(name="size_bytes", kind="whole", unit="By"),
    Column(name="rows_read", kind="whole", unit="1"),
    Column(name="rows_rejected", kind="whole", unit="1"),
    Column(name="n_frames", kind="whole", unit="1"),
    Column(name="duration_s", kind="number", unit="s"),
    Column(name="parameters", kind="text"),
)

_FROM_PROVENANCE: Final = ("sha256", "size_bytes", "rows_read", "rows_rejected")


@dataclass(frozen=True, kw_only=True)
class BatchOptions:
    """What a batch does.

    Attributes
    ----------
    read, measure, sensor_options
        As for one file.
    path_pattern : PathPattern or None
        Its fields become columns; files that do not match it are left out and counted.
    sensors_pattern : PathPattern or None
        Where the sensor log of a capture lies, with the fields of ``path_pattern``.
    skip_start_auto : bool
        Leave out the warm-up that is found at the start.
    workers : int or None
        Processes; by default one a core.
    limits : WorkerLimits or None
        What one file may take of a process; given, no file is measured in this one.
    escape_formulas : bool
        In CSV, write an apostrophe before text that a spreadsheet would take for a formula.
    partition_by : tuple of str
        Fields of ``path_pattern`` by whose values the rows are parted into Parquet files in folders; empty for one
        table.
    """

    read: ReadOptions
    measure: MeasureOptions = field(default_factory=MeasureOptions)
    sensor_options: SensorOptions | None = None
    path_pattern: PathPattern | None = None
    sensors_pattern: PathPattern | None = None
    skip_start_auto: bool = False
    workers: int | None = None
    limits: WorkerLimits | None = None
    escape_formulas: bool = False
    partition_by: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        known = self.path_pattern.fields if self.path_pattern is not None else ()
        for name in self.partition_by:
            if name not in known:
                known_names = ", ".join(known) or "none"
                raise ValueError(f"partition_by: {name!r} is no field of the path pattern; its fields: {known_names}")
        if len(set(self.partition_by)) < len(self.partition_by):
            raise ValueError(f"partition_by names a field twice: {', '.join(self.partition_by)}")


def columns_of(options: BatchOptions) -> tuple[Column, ...]:
    """Columns of the table: fields of the path, fixed columns, then a column a metric."""
    from frametime.metrics.catalog.catalog import catalog_for

    fields = options.path_pattern.fields if options.path_pattern is not None else ()
    return (
        *(Column(name=name, kind="text") for name in fields),
        *FIXED_COLUMNS,
        *(Column(name=key, kind="number", unit=metric.unit) for key, metric in catalog_for(options.measure).items()),
    )


def parameters_digest(options: BatchOptions) -> str:
    """Twelve characters that change with anything that could change a row: options and version."""
    plain = {
        "version": __version__,
        "read": asdict(options.read),
        "measure": asdict(options.measure),
        "sensors": asdict(options.sensor_options) if options.sensor_options is not None else None,
        "skip_start_auto": options.skip_start_auto,
        "sensors_pattern": options.sensors_pattern.text if options.sensors_pattern is not None else None,
    }
    return hashlib.sha256(json.dumps(plain, sort_keys=True, default=str).encode()).hexdigest()[:12]


def sensors_of(found: FoundFile, folder: Path, options: BatchOptions) -> Path | None:
    """The sensor log of a capture, where the pattern names one and it is there; without one, that under its name."""
    if options.sensors_pattern is None:
        from frametime.adapters.sensors.beside import sensor_log_beside

        return sensor_log_beside(found.path)
    candidate = folder / options.sensors_pattern.path_of(found.fields)
    return candidate if candidate.is_file() else None


def request_of(found: FoundFile, folder: Path, options: BatchOptions) -> MeasureRequest:
    """What is to be measured."""
    sensors = sensors_of(found, folder, options)
    return MeasureRequest(
        path=str(found.path),
        read=options.read,
        measure=options.measure,
        conditions=Conditions(**found.text_fields),
        sensors=str(sensors) if sensors is not None else None,
        sensor_options=options.sensor_options,
        skip_start_auto=options.skip_start_auto,
        keep_curves=False,
    )


def row_of(found: FoundFile, outcome: MeasureOutcome, folder: Path, columns: Iterable[Column], digest: str) -> Row:
    """One row of the table; a reason names files from ``folder``, wherever that lies and however it was typed."""
    row: Row = {column.name: None for column in columns}
    row.update(found.text_fields)
    row["file"] = found.text_name
    row["parameters"] = digest
    run = outcome.run
    if run is None:
        row["status"], row["reason"] = "failed", outcome.error_for(found.text_name, folder)
        return row
    row.update({name: getattr(run.provenance, name) for name in _FROM_PROVENANCE})
    row.update({key: value.value for key, value in run.values.items()})
    row.update(
        status="measured",
        judgement=run.judgement.word,
        judgement_reasons="; ".join(run.judgement.reasons),
        caveats=" ".join(sorted({caveat.code for caveat in run.caveats})),
        n_frames=run.n_frames,
        duration_s=run.duration_s,
        sensors_sha256=outcome.sensors_sha256,
    )
    return row


def is_still_true(row: Row, found: FoundFile, folder: Path, options: BatchOptions, digest: str) -> bool:
    """Whether a row of an earlier batch would be measured again to the same: the bytes of its files are the same."""
    sensors = sensors_of(found, folder, options)
    try:
        return (
            row.get("status") == "measured"
            and row.get("parameters") == with_layouts(digest, found.path)
            and row.get("sha256") == file_sha256(found.path)
            and row.get("sensors_sha256") == (file_sha256(sensors) if sensors is not None else None)
        )
    except OSError:
        return False


def with_layouts(digest: str, capture: Path) -> str:
    """The digest of the parameters, with the layouts that are kept beside a capture where there are any."""
    kept = layouts_sha256(capture)
    return digest if kept is None else hashlib.sha256(f"{digest} {kept}".encode()).hexdigest()[:12]


def layouts_sha256(capture: Path) -> str | None:
    """SHA-256 of the file of layouts beside a capture; ``None`` where there is none that can be read."""
    beside = layouts_beside(str(capture))
    try:
        return None if beside is None else file_sha256(beside)
    except OSError:
        return None


def file_sha256(path: Path) -> str:
    """SHA-256 of the bytes of a file, in hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
