"""A capture as one Arrow IPC or Parquet file: its frames as the table, everything else as JSON in the metadata."""

from __future__ import annotations

import base64
import json
import os
from collections.abc import Mapping
from dataclasses import fields, replace
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, BinaryIO, Final, NoReturn

import numpy as np

from frametime.adapters.arrow.arrow_columns import numpy_of
from frametime.adapters.arrow.arrow_source import open_arrow
from frametime.adapters.base import ParsedLog, ReadOptions
from frametime.adapters.columns.words import NANOSECOND, unit_named
from frametime.adapters.frames.streams import unnamed_stream
from frametime.adapters.result_tables import METADATA_KEY, no_capture, writer_of_schema
from frametime.capture import (
    FRAME_COLUMNS,
    SENSOR_COLUMNS,
    TIME_COLUMN,
    Capture,
    Conditions,
    Provenance,
    RejectedRow,
    SensorTrace,
)
from frametime.caveats import Caveat, Weight
from frametime.errors import EndingError, OutputError, ReadError, printable

if TYPE_CHECKING:
    import pyarrow as pa

FORMAT_VERSION: Final = 1
ENDINGS: Final = (".arrow", ".parquet")


def store_capture(capture: Capture, path: str | os.PathLike[str], *, force: bool) -> None:
    """Write a capture: see ``frametime.adapters.arrow.arrow_file.write_capture``."""
    from frametime.replacing import claiming, replacing

    target = Path(path)
    name = os.fspath(path)
    if target.suffix.casefold() not in ENDINGS:
        raise EndingError.at(name, f"the ending is '{printable(target.suffix)}'", helps="use .arrow or .parquet")
    table = _with_units(capture.frames, FRAME_COLUMNS)
    table = table.replace_schema_metadata({METADATA_KEY: _to_json(capture).encode("utf-8")})
    with claiming([target], force=force), replacing(target) as temporary:
        try:
            _write_table(table, temporary, is_parquet=target.suffix.casefold() == ".parquet")
        except OSError as error:
            # Arrow puts its own sentence, with the temporary name, where the system's reason belongs.
            reason = os.strerror(error.errno) if error.errno else str(error)
            raise OutputError.at(
                name, f"cannot be written ({reason})", helps="check the folder and the space left"
            ) from None


def _write_table(table: pa.Table, path: Path, *, is_parquet: bool) -> None:
    import pyarrow as pa

    if is_parquet:
        from pyarrow import parquet

        parquet.write_table(table, path, compression="zstd")
        return
    with pa.OSFile(os.fspath(path), "wb") as sink, pa.ipc.new_file(sink, table.schema) as writer:
        writer.write_table(table)


def _with_units(table: pa.Table, columns: Mapping[str, tuple[str, str, str]]) -> pa.Table:
    import pyarrow as pa

    schema = pa.schema([field.with_metadata({"unit": columns[field.name][1]}) for field in table.schema])
    return pa.Table.from_arrays(table.columns, schema=schema)


# -- to JSON -----------------------------------------------------------------------------------------------------------


def _to_json(capture: Capture) -> str:
    content = {
        "version": FORMAT_VERSION,
        "provenance": _provenance_out(capture.provenance),
        "conditions": {item.name: getattr(capture.conditions, item.name) for item in fields(Conditions)},
        "caveats": [_caveat_out(caveat) for caveat in capture.caveats],
        "sensors": None if capture.sensors is None else _sensors_out(capture.sensors),
    }
    return json.dumps(content, ensure_ascii=True, allow_nan=False, sort_keys=True)


def _provenance_out(provenance: Provenance) -> dict[str, Any]:
    found = {item.name: getattr(provenance, item.name) for item in fields(Provenance)}
    found["rejected_rows"] = [[row.line, row.reason] for row in provenance.rejected_rows]
    found["evidence"] = list(provenance.evidence)
    found["options"], found["metadata"] = dict(provenance.options), dict(provenance.metadata)
    return found


def _caveat_out(caveat: Caveat) -> dict[str, Any]:
    return {
        "code": caveat.code,
        "message": caveat.message,
        "weight": caveat.weight.value,
        "metrics": list(caveat.metrics),
    }


def _sensors_out(sensors: SensorTrace) -> dict[str, Any]:
    import pyarrow as pa

    table = _with_units(sensors.samples, SENSOR_COLUMNS)
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, table.schema) as writer:
        writer.write_table(table)
    return {
        "samples": base64.b64encode(sink.getvalue()).decode("ascii"),
        "alignment": sensors.alignment,
        "provenance": _provenance_out(sensors.provenance),
        "missing_counts": dict(sensors.missing_counts),
        "caveats": [_caveat_out(caveat) for caveat in sensors.caveats],
        "clock_doubt_s": sensors.clock_doubt_s,
    }


# -- from JSON ---------------------------------------------------------------------------------------------------------


class _Stored:
    """Takes the parts of the stored JSON apart; each part that is not as written is named."""

    def __init__(self, name: str) -> None:
        self.name = name

    def refuse(self, key: str, found: str) -> NoReturn:
        raise ReadError.at(self.name, f"the stored capture is damaged: {key} {found}", helps="convert the log again")

    def mapping(self, value: object, key: str) -> dict[str, Any]:
        if not isinstance(value, dict):
            self.refuse(key, "is no table")
        return value

    def texts(self, value: object, key: str) -> dict[str, str]:
        table = self.mapping(value, key)
        if not all(isinstance(item, str) for item in table.values()):
            self.refuse(key, "holds other things than texts")
        return table

    def of_type(self, value: object, kind: type, key: str) -> Any:
        if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
            self.refuse(key, f"is {printable(repr(value), limit=40)}")
        return value

    def caveats(self, value: object) -> tuple[Caveat, ...]:
        found = []
        for item in self.of_type(value, list, "caveats"):
            table = self.mapping(item, "caveats")
            if table.get("weight") not in {weight.value for weight in Weight}:
                self.refuse("caveats", "have an unknown weight")
            metrics = self.of_type(table.get("metrics"), list, "caveats.metrics")
            found.append(
                Caveat(
                    code=self.of_type(table.get("code"), str, "caveats.code"),
                    message=printable(self.of_type(table.get("message"), str, "caveats.message"), limit=2000),
                    weight=Weight(table["weight"]),
                    metrics=tuple(self.of_type(metric, str, "caveats.metrics") for metric in metrics),
                )
            )
        return tuple(found)

    def provenance(self, value: object) -> Provenance:
        table = self.mapping(value, "provenance")
        recorded = table.get("recorded_from_utc")
        if recorded is not None:
            self.of_type(recorded, str, "recorded_from_utc")
        rejected = []
        for row in self.of_type(table.get("rejected_rows"), list, "rejected_rows"):
            if not isinstance(row, list) or len(row) != 2:
                self.refuse("rejected_rows", "are not pairs")
            line, reason = self.of_type(row[0], int, "rejected_rows"), self.of_type(row[1], str, "rejected_rows")
            rejected.append(RejectedRow(line=line, reason=reason))
        evidence = self.of_type(table.get("evidence"), list, "evidence")
        return Provenance(
            **{
                key: self.of_type(table.get(key), str, key) for key in ("file_name", "sha256", "adapter", "layout_toml")
            },
            **{key: self.of_type(table.get(key), int, key) for key in ("size_bytes", "rows_read", "rows_rejected")},
            rejected_rows=tuple(rejected),
            evidence=tuple(self.of_type(sentence, str, "evidence") for sentence in evidence),
            options=MappingProxyType(self.texts(table.get("options"), "options")),
            metadata=MappingProxyType(self.texts(table.get("metadata"), "metadata")),
            recorded_from_utc=recorded,
        )

    def conditions(self, value: object) -> Conditions:
        table = self.mapping(value, "conditions")
        known = {item.name for item in fields(Conditions)}
        kept = {key: item for key, item in table.items() if key in known and item is not None}
        return Conditions(**self.texts(kept, "conditions"))

    def sensors(self, value: object) -> SensorTrace | None:
        if value is None:
            return None
        table = self.mapping(value, "sensors")
        counts = self.mapping(table.get("missing_counts"), "missing_counts")
        return SensorTrace(
            samples=self._samples(self.of_type(table.get("samples"), str, "sensors.samples")),
            alignment=self.of_type(table.get("alignment"), str, "alignment"),
            provenance=self.provenance(table.get("provenance")),
            missing_counts=MappingProxyType({k: self.of_type(v, int, "missing_counts") for k, v in counts.items()}),
            caveats=self.caveats(table.get("caveats")),
            clock_doubt_s=self.of_type(table.get("clock_doubt_s", 0.0), float, "clock_doubt_s"),
        )

    def _samples(self, text: str) -> pa.Table:
        import pyarrow as pa

        try:
            table = pa.ipc.open_stream(pa.py_buffer(base64.b64decode(text, validate=True))).read_all()
            table.validate(full=True)
        except (pa.ArrowException, OSError, ValueError) as error:
            self.refuse("sensors.samples", f"cannot be read ({printable(str(error), limit=60)})")
        for field in table.schema:
            if field.name not in SENSOR_COLUMNS or str(field.type) != _type_name(SENSOR_COLUMNS[field.name][0]):
                self.refuse(
                    "sensors.samples", f"hold a column {printable(field.name, limit=40)!r} of type {field.type}"
                )
        if "time_ns" not in table.column_names:
            self.refuse("sensors.samples", "hold no time_ns")
        self.rising(table, "time_ns")
        return table

    def rising(self, table: pa.Table, column: str) -> None:
        """Refuse times that are null or do not rise."""
        if table.column(column).null_count:
            self.refuse(column, "has empty cells")
        values = numpy_of(table.column(column))
        if values.size > 1 and not (values[1:] > values[:-1]).all():
            self.refuse(column, "does not rise")


def _type_name(kind: str) -> str:
    return "double" if kind == "float64" else kind


def read_stored(log: BinaryIO, options: ReadOptions) -> ParsedLog | None:
    """The capture that a table holds; ``None`` for a table of others, and where its columns are told.

    Raises
    ------
    ReadError
        If it is damaged, a table of results, or read in another unit.
    """
    import pyarrow as pa

    source = open_arrow(log)
    metadata = source.schema.metadata or {}
    if (command := writer_of_schema(metadata, source.schema.names)) is not None:
        raise no_capture(source.name, command)
    if METADATA_KEY not in metadata or options.layout is not None or options.time_column is not None:
        return None
    table = pa.concat_tables([source.schema.empty_table(), *source.within_limits(options)])
    capture = stored_capture(table, metadata[METADATA_KEY], source.name)
    if options.unit is not None and unit_named(options.unit) != NANOSECOND:
        found = f"the times of a stored capture are in ns, and the unit given is {options.unit}"
        raise ReadError.at(source.name, found, helps="leave out the unit")
    capture = replace(capture, caveats=(*capture.caveats, *unnamed_stream(options.stream)))
    return ParsedLog(frames=capture.frames, rows_read=capture.frames.num_rows, capture=capture)


def stored_capture(table: pa.Table, metadata: bytes, name: str) -> Capture:
    """The capture that ``write_capture`` stored.

    Parameters
    ----------
    table : pyarrow.Table
    metadata : bytes
        JSON under the key ``frametime``.
    name : str
        Of the file, for messages.

    Raises
    ------
    ReadError
        If a part is not as it was written; the message names it.
    """
    stored = _Stored(name)
    try:
        content = json.loads(metadata.decode("utf-8"))
    except (UnicodeDecodeError, ValueError, RecursionError) as error:
        stored.refuse("the metadata", f"are no JSON ({printable(str(error), limit=60)})")
    content = stored.mapping(content, "the metadata")
    version = content.get("version")
    if version != FORMAT_VERSION:
        raise ReadError.at(
            name,
            f"the stored capture has version {printable(repr(version), limit=20)}",
            helps=f"this package reads version {FORMAT_VERSION}: update it",
        )
    for field in table.schema:
        if field.name not in FRAME_COLUMNS or str(field.type) != FRAME_COLUMNS[field.name][0]:
            stored.refuse("frames", f"hold a column {printable(field.name, limit=40)!r} of type {field.type}")
    if TIME_COLUMN not in table.column_names or len(set(table.column_names)) != table.num_columns:
        stored.refuse("frames", f"hold no single {TIME_COLUMN}")
    if table.num_rows < 3:
        raise ReadError.at(name, "there is less than two frames", helps="record the run again")
    stored.rising(table, TIME_COLUMN)
    span = np.asarray(numpy_of(table.column(TIME_COLUMN)), dtype=np.float64)
    if float(span[-1] - span[0]) > 2.0**62:
        stored.refuse(TIME_COLUMN, "spans more than 146 years")
    return Capture(
        frames=_with_units(table, FRAME_COLUMNS),
        conditions=stored.conditions(content.get("conditions")),
        provenance=stored.provenance(content.get("provenance")),
        sensors=stored.sensors(content.get("sensors")),
        caveats=stored.caveats(content.get("caveats")),
    )
