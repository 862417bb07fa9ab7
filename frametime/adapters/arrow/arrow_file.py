"""The reader of Arrow IPC and Parquet, and the writer of captures; what they need is imported when one is at hand."""

from __future__ import annotations

import os
from typing import BinaryIO

from frametime.adapters.base import ParsedLog, ReadOptions
from frametime.adapters.stored_log import ARROW_HEADS
from frametime.capture import Capture


class ArrowFileAdapter:
    """Reads Arrow IPC files and streams, and Parquet: captures as they were written, other tables as text."""

    name = "arrow-file"

    def recognizes(self, head: bytes) -> bool:
        """Whether the first bytes are those of one of the three forms."""
        return head.startswith(ARROW_HEADS)

    def parse(self, log: BinaryIO, options: ReadOptions) -> ParsedLog:
        """Read the table.

        Raises
        ------
        ReadError
            If the file is damaged, or no column is known to be the time.
        """
        from frametime.adapters.arrow.capture_file import read_stored
        from frametime.adapters.frames.frame_log import FrameLogAdapter

        return read_stored(log, options) or FrameLogAdapter().parse(log, options)


def write_capture(capture: Capture, path: str | os.PathLike[str], *, force: bool = False) -> None:
    """Write a capture as Arrow IPC (``.arrow``) or Parquet (``.parquet``), by the ending of ``path``.

    The file holds the frames with their units (field metadata ``unit``, in UCUM), and in the schema metadata key
    ``frametime`` a JSON text with provenance, layout, conditions, caveats and sensors: ``read_capture`` gives back an
    equal capture. It is written under a temporary name and renamed.

    Parameters
    ----------
    capture : Capture
    path : path
    force : bool
        Replace a file of that name.

    Raises
    ------
    OutputError
        If the ending is another, the file exists and ``force`` is not set, or it cannot be written.
    """
    from frametime.adapters.arrow.capture_file import store_capture

    store_capture(capture, path, force=force)
