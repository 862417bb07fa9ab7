"""Binary streams under a log: the file as opened, a place for what is made while reading, a view that stays open."""

from __future__ import annotations

import io
import os
from typing import IO, Any, BinaryIO, Final, cast

from frametime.errors import ReadError

BLOCK_BYTES: Final = 1 << 20
"""How much of a stream is read at a time."""

_IN_MEMORY_BYTES: Final = 256 << 20


class _Wrapped(io.RawIOBase):
    """A readable, seekable stream that passes on to another one."""

    _is_owner = True

    def __init__(self, inner: IO[bytes]) -> None:
        self._inner = inner

    def close(self) -> None:
        if self._is_owner and not self.closed:
            self._inner.close()
        super().close()

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = io.SEEK_SET, /) -> int:
        return self._inner.seek(offset, whence)

    def tell(self) -> int:
        return self._inner.tell()

    def read(self, size: int = -1, /) -> bytes:
        return self._inner.read(size)

    def readinto(self, buffer: object, /) -> int:
        view = memoryview(buffer).cast("B")  # type: ignore[arg-type]
        chunk = self._inner.read(len(view))
        view[: len(chunk)] = chunk
        return len(chunk)


class LogStream(_Wrapped):
    """A seekable binary stream that knows the name and size of its log.

    ``shared`` says that the same bytes can be opened again only through this stream, and so not read beside it;
    ``state`` is that of the file when it was opened, empty where there is none.
    """

    def __init__(
        self, inner: BinaryIO, *, name: str, size: int, shared: bool = False, state: tuple[int, ...] = ()
    ) -> None:
        super().__init__(inner)
        self.name = name
        self.size = size
        self.shared = shared
        self.state = state

    def refuse_change(self) -> None:
        """Refuse a file that is not as it was when it was opened.

        Raises
        ------
        ReadError
        """
        if not self.state:
            return
        try:
            now = state_in(os.stat(self.name))  # noqa: PTH116 - pathlib costs a quick check 5 ms
        except OSError:
            now = ()
        if now != self.state:
            raise changed(self.name)


class Spool(_Wrapped):
    """A place for bytes that are made while reading: in memory up to 256 MiB, then in a nameless temporary file."""

    def __init__(self) -> None:
        super().__init__(io.BytesIO())
        self._in_memory = True

    def writable(self) -> bool:
        return True

    def write(self, block: Any, /) -> int:
        if self._in_memory and self._inner.tell() + len(block) > _IN_MEMORY_BYTES:
            self._roll_over()
        return self._inner.write(block)

    def _roll_over(self) -> None:
        import tempfile

        moved = cast("IO[bytes]", tempfile.TemporaryFile())  # noqa: SIM115 - closed with this object
        moved.write(cast("io.BytesIO", self._inner).getbuffer())
        self._inner, self._in_memory = moved, False


class KeptOpen(_Wrapped):
    """A view of a stream that leaves it open when its own reader is closed or forgotten."""

    _is_owner = False

    def __init__(self, inner: BinaryIO | LogStream) -> None:
        super().__init__(cast("BinaryIO", inner))


def stream_name(log: BinaryIO) -> str:
    """Name of a log for messages."""
    name = getattr(log, "name", None)
    return name if isinstance(name, str) and name else "log"


def stream_size(log: BinaryIO) -> int:
    """Number of bytes of a seekable stream; leaves it at its start."""
    size = log.seek(0, io.SEEK_END)
    log.seek(0)
    return size


def state_in(found: os.stat_result) -> tuple[int, ...]:
    """What tells a file from another one, and from itself after a change."""
    return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns


def changed(name: str) -> ReadError:
    """The error for a log that is no longer the one that was opened."""
    return ReadError.at(name, "the file changed while it was read", helps="wait until its recording has ended")
