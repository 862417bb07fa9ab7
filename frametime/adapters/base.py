"""What every reader of a log agrees on: the options it takes, what it gives back, and how it is asked."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, BinaryIO, Final, NamedTuple, Protocol, runtime_checkable

from frametime.adapters.columns.layout import ColumnRef, Layout
from frametime.adapters.columns.words import unit_named, unit_names
from frametime.capture import Capture, RejectedRow
from frametime.caveats import Caveat
from frametime.ranges import check_ranges

if TYPE_CHECKING:
    import pyarrow as pa

    from frametime.adapters.columns.column_facts import ColumnFacts

HEAD_BYTES: Final = 4096
"""How much of a log ``Adapter.recognizes`` is shown."""
MAX_LISTED_ROWS: Final = 100
"""How many rejected rows are listed one by one; all are counted."""


@dataclass(frozen=True, kw_only=True)
class ReadOptions:
    """How a log is to be read. The defaults find everything in the log, or refuse.

    Attributes
    ----------
    layout : Layout or None
        A layout that was written by the user: it wins over anything found in the log.
    time_column : str, int or None
        Name of the time column, or its position counted from 1; wins over the layout.
    unit : str or None
        Unit of the time column; wins over the layout.
    stream : str or None
        Name of the application or stream to read, where the log holds several.
    remember : bool
        Write the layout beside the log, for other logs of its shape in that folder.
    sort : bool
        Sort rows whose time runs backwards, instead of refusing the log.
    skip_start_s, skip_end_s : float
        Seconds cut from the start and the end.
    from_s, to_s : float or None
        The part kept, in seconds since the start of the first frame.
    max_rejected_fraction : float
        Share of rows that may be unusable before the log is refused. Up to ``tolerated_rows`` unusable rows are
        let pass in a short log as well, unless the share is set to 0.
    tolerated_rows : int
        See above; never more than one row in ten.
    adapter : str or None
        Name of the adapter that must read the log.
    max_line_bytes, max_columns : int
        Longest line, and most columns, that are taken for a log.
    max_decompressed_bytes : int
        Most bytes that a compressed log may unpack to, and its rows hold, with 40 bytes each.
    max_decompression_ratio : float
        Most bytes that one stored byte may unpack to, once more than 64 MiB have come out.
    use_threads : bool
        Let the table reader use several cores; ``read_capture`` sets it.
    """

    layout: Layout | None = None
    time_column: ColumnRef | None = None
    unit: str | None = None
    stream: str | None = None
    remember: bool = False
    sort: bool = False
    skip_start_s: float = 0.0
    skip_end_s: float = 0.0
    from_s: float | None = None
    to_s: float | None = None
    max_rejected_fraction: float = 0.01
    tolerated_rows: int = 3
    adapter: str | None = None
    max_line_bytes: int = 1 << 20
    max_columns: int = 2000
    max_decompressed_bytes: int = 4 << 30
    max_decompression_ratio: float = 2000.0
    use_threads: bool = True

    def __post_init__(self) -> None:
        if self.unit is not None and unit_named(self.unit) is None:
            raise ValueError(f"unit must be one of {unit_names()}, got {self.unit!r}")
        check_ranges(self, "max_rejected_fraction", "skip_start_s", "skip_end_s", "from_s", "to_s", "tolerated_rows")
        check_ranges(self, "max_line_bytes", "max_columns", "max_decompressed_bytes", "max_decompression_ratio")
        if self.from_s is not None and self.to_s is not None and not self.from_s < self.to_s:
            raise ValueError(f"from_s must be less than to_s, got {self.from_s!r} and {self.to_s!r}")


class ParsedLog(NamedTuple):
    """What an adapter has found in one log; ``read_capture`` checks it and builds the ``Capture``.

    Attributes
    ----------
    frames : pyarrow.Table
        ``timestamp_ns`` (int64) and any of the other ``FRAME_COLUMNS``; row 0 is where the first frame began.
    rows_read, rows_rejected : int
    rejected_rows : tuple of RejectedRow
        The first of them, at most ``MAX_LISTED_ROWS``.
    layout_toml : str
        The layout found or given, as a layout file with the evidence as comments.
    evidence : tuple of str
        One sentence for each decision.
    caveats : tuple of Caveat
    metadata : Mapping
        Key and value pairs found above the header.
    recorded_from_utc : str or None
        Absolute time at which ``timestamp_ns`` is 0.
    other_columns : tuple of ColumnFacts
        Columns with a name that the frames do not use: they may hold sensors.
    read_columns : callable or None
        ``read_columns(names) -> pyarrow.Table`` fetches other columns as texts, one row for each row of
        ``frames`` (null in a row that the log does not have). It must be called before the log is closed.
    capture : Capture or None
        A whole capture that was stored as such: it is given back as it was written.
    """

    frames: pa.Table
    rows_read: int
    rows_rejected: int = 0
    rejected_rows: tuple[RejectedRow, ...] = ()
    layout_toml: str = ""
    evidence: tuple[str, ...] = ()
    caveats: tuple[Caveat, ...] = ()
    metadata: Mapping[str, str] = MappingProxyType({})
    recorded_from_utc: str | None = None
    other_columns: tuple[ColumnFacts, ...] = ()
    read_columns: Callable[[Sequence[str]], pa.Table] | None = None
    capture: Capture | None = None


@runtime_checkable
class Adapter(Protocol):
    """A reader of one kind of log, made without arguments; found by entry point in ``frametime.adapters``."""

    name: str

    def recognizes(self, head: bytes) -> bool:
        """Whether this adapter reads logs that begin like this: the first 4 KiB, decompressed, never the file."""
        ...

    def parse(self, log: BinaryIO, options: ReadOptions) -> ParsedLog:
        """Read the whole log (decompressed, seekable, at its start). Wrong input raises a ``ReadError``."""
        ...
