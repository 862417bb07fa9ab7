"""Arrow IPC and Parquet (a first form: recognized, not yet read)."""

from __future__ import annotations

from typing import BinaryIO

from frametime.adapters.base import ParsedLog, ReadOptions


class ArrowFileAdapter:
    """Reads Arrow IPC files and streams, and Parquet."""

    name = "arrow-file"

    def recognizes(self, head: bytes) -> bool:
        """Whether the first bytes are those of one of the three forms."""
        return head.startswith((b"ARROW1\0\0", b"PAR1", b"\xff\xff\xff\xff"))

    def parse(self, log: BinaryIO, options: ReadOptions) -> ParsedLog:
        """Read the table."""
        raise NotImplementedError
