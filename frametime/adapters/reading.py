"""From a file to a capture: choose the adapter, parse, check, say where it all came from, cut as told."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import fields, replace
from types import MappingProxyType
from typing import BinaryIO, cast

import numpy as np

from frametime.adapters.arrow.arrow_columns import numpy_of
from frametime.adapters.base import HEAD_BYTES, ParsedLog, ReadOptions
from frametime.adapters.columns.words import WORDS, words_of
from frametime.adapters.plugins import BUILT_IN, choose_adapter
from frametime.adapters.stored_log import StoredHash, compression_of, kept_unchanged, open_stored, unpacked
from frametime.capture import FRAME_COLUMNS, TIME_COLUMN, Capture, Conditions, Provenance, SensorTrace
from frametime.caveats import Caveat, Weight
from frametime.errors import ReadError, printable
from frametime.units import NS_PER_S


def cut_capture(
    capture: Capture,
    *,
    skip_start_s: float = 0.0,
    skip_end_s: float = 0.0,
    from_s: float | None = None,
    to_s: float | None = None,
) -> Capture:
    """The part of a capture between two times; a frame belongs to it when all of it lies inside.

    Parameters
    ----------
    capture : Capture
    skip_start_s, skip_end_s : float
        Seconds taken off the start and the end.
    from_s, to_s : float or None
        Start and end of the part, in seconds since the start of the first frame of the whole capture.

    Returns
    -------
    Capture
        With a caveat ``capture-cut`` and the cut in ``provenance.options``; the same capture if nothing is cut.
        Sensors are kept as they are: metrics use the samples that lie inside.

    Raises
    ------
    ReadError
        If fewer than two frames are left.
    """
    given = {
        name: value
        for name, value in (
            ("skip_start_s", skip_start_s or None),
            ("skip_end_s", skip_end_s or None),
            ("from_s", from_s),
            ("to_s", to_s),
        )
        if value is not None
    }
    if not given:
        return capture
    for name, value in given.items():
        if not np.isfinite(value) or (name.startswith("skip") and value < 0):
            raise ValueError(f"{name} must be a number of seconds, got {value!r}")
    stamps = np.asarray(numpy_of(capture.frames.column(TIME_COLUMN)), dtype=np.int64)
    start_ns = max(round(skip_start_s * NS_PER_S), round((from_s or 0.0) * NS_PER_S))
    length_ns = int(stamps[-1]) - int(stamps[0])
    end_ns = length_ns - round(skip_end_s * NS_PER_S)
    if to_s is not None:
        end_ns = min(end_ns, round(to_s * NS_PER_S))
    elapsed = stamps - stamps[0]
    first, last = (int(i) for i in np.searchsorted(elapsed, [start_ns, end_ns + 1]))
    options = ", ".join(f"{name.removesuffix('_s').replace('_', ' ')} {value:g} s" for name, value in given.items())
    if last - first < 3:
        raise ReadError.at(
            capture.provenance.file_name,
            f"the cut ({options}) leaves {max(0, last - first - 1)} of {capture.n_frames} frames",
            helps=f"the capture is {length_ns / NS_PER_S:.3f} s long: cut less",
        )
    caveat = Caveat(
        code="capture-cut",
        message=f"Cut as told ({options}): {last - first - 1} of {capture.n_frames} frames are left, "
        f"{(int(stamps[last - 1]) - int(stamps[first])) / NS_PER_S:.3f} of {length_ns / NS_PER_S:.3f} s.",
        weight=Weight.NOTE,
    )
    merged = {**capture.provenance.options, **{name: f"{value:g}" for name, value in given.items()}}
    return replace(
        capture,
        frames=capture.frames.slice(first, last - first),
        provenance=replace(capture.provenance, options=MappingProxyType(merged)),
        caveats=(*capture.caveats, caveat),
    )


_DEFAULT_OPTIONS = ReadOptions()
_NO_CONDITIONS = Conditions()
_CUTS = ("skip_start_s", "skip_end_s", "from_s", "to_s")


def read_capture(
    source: str | os.PathLike[str] | BinaryIO,
    *,
    options: ReadOptions = _DEFAULT_OPTIONS,
    conditions: Conditions = _NO_CONDITIONS,
    use_threads: bool = True,
) -> Capture:
    """Read one frame log.

    Parameters
    ----------
    source : path, '-' or binary stream
        The log; ``-`` is standard input. Compressed logs (gzip, bz2, xz, zstd) are unpacked.
    options : ReadOptions
        The defaults find everything in the log, or refuse.
    conditions : Conditions
        Under which the run was made, as far as known.
    use_threads : bool
        Let the table reader use several cores. A batch that reads several logs at once sets it to False.

    Returns
    -------
    Capture
        Its ``provenance`` holds the layout that was found, with the evidence.

    Raises
    ------
    ReadError
        If the log cannot be read, or cannot be read without a guess: one line with file, line or column, what was
        found, and what helps.

    Examples
    --------
    >>> import io
    >>> capture = read_capture(io.BytesIO(b"frame time (ms)\\n16.6\\n16.7\\n16.8\\n"))
    >>> capture.n_frames, capture.frames["timestamp_ns"].to_pylist()
    (3, [0, 16600000, 33300000, 50100000])
    """
    stored, again = open_stored(source)
    with stored, kept_unchanged(stored):
        digest = StoredHash(again, size=stored.size, threaded=use_threads and not stored.shared)
        stored.seek(0)
        log, _ = unpacked(stored, options)
        head = log.read(HEAD_BYTES)
        log.seek(0)
        if compression_of(head) is not None:
            raise ReadError.at(stored.name, "the file is compressed twice", helps="unpack it once")
        adapter, caveats = choose_adapter(stored.name, head, options.adapter)
        parsed = adapter.parse(cast("BinaryIO", log), replace(options, use_threads=use_threads))
        if parsed.capture is not None:
            given = {item.name: getattr(conditions, item.name) for item in fields(Conditions)}
            known = replace(parsed.capture.conditions, **{k: v for k, v in given.items() if v is not None})
            capture = replace(parsed.capture, conditions=known, caveats=(*parsed.capture.caveats, *caveats))
        else:
            if type(adapter) not in BUILT_IN:
                _check_frames(parsed, stored.name, adapter.name)
            capture = _capture(parsed, stored.name, stored.size, adapter.name, digest, options, conditions, caveats)
    return cut_capture(capture, **{name: getattr(options, name) for name in _CUTS})


def _check_frames(parsed: ParsedLog, name: str, adapter: str) -> None:
    """What a reader of others gives back is foreign data too."""
    frames = parsed.frames
    found = None
    wrong = [column for column in frames.column_names if column not in FRAME_COLUMNS]
    if wrong or TIME_COLUMN not in frames.column_names:
        found = f"columns that have no meaning here ({', '.join(wrong)})" if wrong else f"no column {TIME_COLUMN}"
    elif any(str(field.type) != FRAME_COLUMNS[field.name][0] for field in frames.schema):
        found = "columns of another type than theirs"
    elif frames.num_rows < 3:
        found = "fewer than two frames"
    elif frames.column(TIME_COLUMN).null_count:
        found = "timestamps that are empty"
    else:
        stamps = numpy_of(frames.column(TIME_COLUMN))
        found = None if (stamps[1:] > stamps[:-1]).all() else "timestamps that do not rise"
    if found is not None:
        raise ReadError.at(name, f"the adapter '{printable(adapter, limit=60)}' gave {found}", helps="mend the adapter")


def _capture(
    parsed: ParsedLog,
    name: str,
    size: int,
    adapter: str,
    digest: StoredHash,
    options: ReadOptions,
    conditions: Conditions,
    caveats: tuple[Caveat, ...],
) -> Capture:
    provenance = Provenance(
        file_name=name,
        sha256=digest.hexdigest(),
        size_bytes=size,
        adapter=adapter,
        rows_read=parsed.rows_read,
        rows_rejected=parsed.rows_rejected,
        rejected_rows=parsed.rejected_rows,
        layout_toml=parsed.layout_toml,
        evidence=parsed.evidence,
        options=MappingProxyType(_options_set(options)),
        metadata=MappingProxyType(dict(parsed.metadata)),
        recorded_from_utc=parsed.recorded_from_utc,
    )
    return Capture(
        frames=parsed.frames,
        conditions=conditions,
        provenance=provenance,
        sensors=_own_sensors(parsed, provenance),
        caveats=(*caveats, *parsed.caveats),
    )


def _own_sensors(parsed: ParsedLog, provenance: Provenance) -> SensorTrace | None:
    """Sensors in the log's own columns; their reader is imported only where a name or unit speaks of one."""
    if not any(column.unit or WORDS["sensor"] & set(words_of(column.name)) for column in parsed.other_columns):
        return None
    from frametime.adapters.sensors.sensor_trace import own_sensors

    return own_sensors(parsed, provenance)


def _options_set(options: ReadOptions) -> Mapping[str, str]:
    """The options that are not at their default; cuts are added where they are made."""
    left_out = {"layout", "use_threads", *_CUTS}
    changed = {
        item.name: str(getattr(options, item.name))
        for item in fields(ReadOptions)
        if item.name not in left_out and getattr(options, item.name) != getattr(_DEFAULT_OPTIONS, item.name)
    }
    if options.layout is not None:
        changed["layout"] = options.layout.to_toml().replace("\n", "; ").rstrip("; ")
    return changed
