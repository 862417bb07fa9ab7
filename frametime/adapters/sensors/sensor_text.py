"""A sensor log opened: as delimited text, whatever it is stored as, with its dialect found."""

from __future__ import annotations

import os
from dataclasses import replace
from typing import BinaryIO, cast

from frametime.adapters.base import ReadOptions
from frametime.adapters.sensors.sensor_layout import SensorLayout
from frametime.adapters.sensors.sensor_log import SensorOptions
from frametime.adapters.sensors.sensor_reader import SensorReader, SensorSamples
from frametime.adapters.stored_log import opened_log
from frametime.adapters.text.dialect import detect_dialect
from frametime.adapters.text.text_rows import Dialect, may_lack_digits
from frametime.adapters.text.text_source import TextSource, read_in_its_encoding
from frametime.errors import SensorError, printable


def read_sensor_text(
    source: str | os.PathLike[str] | BinaryIO, options: SensorOptions, *, wants_absolute: bool
) -> SensorSamples:
    """Read one sensor log.

    Parameters
    ----------
    source : path, '-' or binary stream
        Delimited text, or a table in Parquet or one of the formats of Arrow.
    options : SensorOptions
    wants_absolute : bool
        Which clock is preferred where the log has an absolute and an elapsed one.

    Raises
    ------
    SensorError, ReadError
    """
    layout = options.layout or SensorLayout()
    read = ReadOptions(layout=layout.text)

    def samples_of(text: TextSource) -> SensorSamples:
        return SensorReader(text, _dialect(text, read), layout, options, read).samples(wants_absolute)

    with opened_log(source, read, use_threads=False) as opened:
        samples = read_in_its_encoding(cast("BinaryIO", opened.log), read, layout.text.encoding, samples_of)
        sha256 = opened.sha256()
    evidence = ((f"compression: {opened.compression}",) if opened.compression else ()) + samples.provenance.evidence
    origin = replace(samples.provenance, sha256=sha256, size_bytes=opened.stored.size, evidence=evidence)
    return samples._replace(provenance=origin)


def _dialect(text: TextSource, read: ReadOptions) -> Dialect:
    """How the text is laid out, without a last row whose last number may lack digits.

    Raises
    ------
    SensorError
        If there is one row, or one column: no sensor log, whatever its names say.
    """
    dialect = detect_dialect(text, read)
    last = dialect.n_columns - 1
    cells = [row.cells[last] for row in dialect.sample if len(row.cells) > last]
    if dialect.has_open_row and all(may_lack_digits(cells, mark) for mark in ".,"):
        dialect = detect_dialect(text, read, keeps_open_row=False)
    if dialect.n_columns == 1:
        above = f", although the line above them is '{printable(dialect.names[0], limit=60)}'" if dialect.names else ""
        found = f"no delimiter parts the rows into a time and readings{above}"
        helps = 'see whether the rows are cut off, or give delimiter = ";" or another in a sensor layout'
        raise SensorError.at(text.name, found, helps=helps)
    if len(dialect.sample) == 1 and dialect.data_end == text.end:
        found = "there is one row of readings, two are needed"
        raise SensorError.at(text.name, found, helps="give the whole sensor log")
    return dialect
