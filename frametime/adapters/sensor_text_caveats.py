"""What must be known about the text of a sensor log: lines and cells that are no readings, and were left out."""

from __future__ import annotations

from frametime.adapters.dialect import Dialect
from frametime.adapters.row_scan import RowScan
from frametime.adapters.sensor_log import SENSOR_METRICS
from frametime.adapters.table_reader import TextTable, lines_of_records
from frametime.adapters.text_source import TextSource
from frametime.caveats import Caveat, Weight
from frametime.errors import printable
from frametime.words import counted


def text_caveats(source: TextSource, dialect: Dialect, table: TextTable, scan: RowScan) -> list[Caveat]:
    """Caveats of surplus cells, a footer, a cut last line and zero bytes."""
    caveats = []
    if table.long:
        (line,) = lines_of_records(source, dialect, [table.long[0][0]])
        rows = counted(len(table.long), "row of the sensor log has", "rows of the sensor log have")
        caveats.append(
            Caveat(
                metrics=SENSOR_METRICS,
                code="sensor-surplus-cells",
                message=f"{rows} more cells than the header, first in line {line}; the surplus was ignored. Does a "
                "decimal comma part a number there?",
            )
        )
    if dialect.footer:
        lines = counted(len(dialect.footer), "line after the samples is", "lines after the samples are")
        caveats.append(
            Caveat(
                metrics=SENSOR_METRICS,
                code="sensor-footer",
                message=f"{lines} no samples and left out, from '{printable(dialect.footer[0], limit=40)}' on.",
                weight=Weight.NOTE,
            )
        )
    if dialect.cut_last_line is not None:
        message = "The last line of the sensor log has no line end, so it may be cut off, and is left out."
        caveats.append(Caveat(code="sensor-last-line-cut", message=message, weight=Weight.NOTE, metrics=SENSOR_METRICS))
    if source.nul_bytes:
        message = f"The sensor log ends in {source.nul_bytes} zero bytes, as after a loss of power; they were ignored."
        caveats.append(Caveat(code="sensor-zero-bytes", message=message, metrics=SENSOR_METRICS))
    if scan.zero_bytes:
        bytes_stand = counted(scan.zero_bytes, "zero byte stands", "zero bytes stand")
        caveats.append(
            Caveat(
                metrics=SENSOR_METRICS,
                code="sensor-zero-bytes",
                message=f"{bytes_stand} among the rows of the sensor log, from line {scan.zero_line} on, as after a "
                "loss of power: rows may be missing there.",
            )
        )
    return caveats
