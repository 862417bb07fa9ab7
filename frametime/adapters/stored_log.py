"""The bytes of a log as they lie in the file: opened, hashed, unpacked within limits, and given a name for messages."""

from __future__ import annotations

import io
import os
import stat
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import IO, Any, BinaryIO, Final, cast

from frametime.adapters.base import ReadOptions
from frametime.errors import FrametimeError, ReadError, printable

_HASH_AT_ONCE_BYTES: Final = 1 << 20

FIRST_BYTES: Final = 1 << 16
"""How much of a log tells what it is."""
ROW_BYTES: Final = 40
"""What a row holds at least while its times are worked on (measured: 45 bytes in a log of two columns)."""

ARROW_HEADS: Final = (b"ARROW1\0\0", b"PAR1", b"\xff\xff\xff\xff")
"""First bytes of an Arrow IPC file, a Parquet file and an Arrow IPC stream."""
COMPRESSIONS: Final = (
    (b"\x1f\x8b", "gzip"),
    (b"BZh", "bz2"),
    (b"\xfd7zXZ\x00", "xz"),
    (b"\x28\xb5\x2f\xfd", "zstd"),
)


def compression_of(head: bytes) -> str | None:
    """Name of the compression that a file begins with, or ``None``.

    Examples
    --------
    >>> compression_of(b"BZh91AY"), compression_of(b"time,ms")
    ('bz2', None)
    """
    return next((name for magic, name in COMPRESSIONS if head.startswith(magic)), None)


class StoredHash:
    """The sha256 of a stream's bytes, taken in a thread while the log is being parsed where that is worth it."""

    def __init__(self, opened: Callable[[], BinaryIO], *, size: int, threaded: bool) -> None:
        self._opened = opened
        self._digest = ""
        self._error: ReadError | OSError | None = None
        self._thread: threading.Thread | None = None
        if threaded and size > _HASH_AT_ONCE_BYTES:
            self._thread = threading.Thread(target=self._take, daemon=True)
            self._thread.start()
        else:
            self._take()

    def _take(self) -> None:
        import hashlib

        try:
            with self._opened() as stored:
                self._digest = hashlib.file_digest(cast("Any", stored), "sha256").hexdigest()
        except (ReadError, OSError) as error:
            # Raised where the hash is asked for: a thread has nobody to tell.
            self._error = error

    def hexdigest(self) -> str:
        """Wait for the last block and give the hash.

        Raises
        ------
        ReadError, OSError
            If the bytes could not be read a second time.
        """
        if self._thread is not None:
            self._thread.join()
        if self._error is not None:
            raise self._error
        return self._digest


def open_stored(source: str | os.PathLike[str] | BinaryIO) -> tuple[LogStream, Callable[[], BinaryIO]]:
    """Open a path, ``-`` or a stream as a seekable log; also give a way to open the same bytes once more.

    Raises
    ------
    ReadError
        If the file is missing, a folder, a device, or may not be read.
    """
    if not isinstance(source, str | os.PathLike):
        return _held(source, stream_name(source))
    name = os.fspath(source)
    if name == "-":
        return _held(sys.stdin.buffer, "-")
    try:
        kind = os.stat(name).st_mode  # noqa: PTH116 - pathlib costs a quick check 5 ms
        if stat.S_ISDIR(kind):
            raise ReadError.at(
                name, "this is a folder, not a log", helps="give a file, or use 'frametime batch' for a folder"
            )
        if not stat.S_ISREG(kind) and not stat.S_ISFIFO(kind):
            raise ReadError.at(name, "this is not a file", helps="give a file with one row for each frame")
        opened = open(name, "rb")  # noqa: SIM115, PTH123 - closed with the stream that wraps it
    except (OSError, ValueError) as error:
        raise _cannot_open(name, error) from None
    if stat.S_ISFIFO(kind):
        with opened:
            return _held(opened, name)
    log = LogStream(opened, name=name, size=stream_size(opened), state=state_in(os.fstat(opened.fileno())))
    return log, lambda: _opened_again(log)


def _opened_again(log: LogStream) -> BinaryIO:
    try:
        again = open(log.name, "rb")  # noqa: SIM115, PTH123 - closed by who asks
    except OSError:
        raise changed(log.name) from None
    if state_in(os.fstat(again.fileno())) != log.state:
        again.close()
        raise changed(log.name)
    return again


@contextmanager
def kept_unchanged(log: LogStream) -> Iterator[None]:
    """Refuse what was read from a log that grew, was cut, gave an error of the system meanwhile or fills the memory.

    Raises
    ------
    ReadError
    """
    try:
        yield
    except FrametimeError:
        # Half a file reads as a broken one: that it changed is the better reason.
        log.refuse_change()
        raise
    except MemoryError:
        found = f"there is not enough memory to hold it ({log.size} bytes stored)"
        helps = "read a part of it, or set --max-decompressed-bytes to refuse such a log before it is unpacked"
        raise ReadError.at(log.name, found, helps=helps) from None
    except OSError as error:
        raise _cannot_read(log.name, error) from None
    log.refuse_change()


def _cannot_read(name: str, error: OSError) -> ReadError:
    reason = error.strerror or str(error) or type(error).__name__
    found = f"this file cannot be read to its end ({printable(reason)})"
    helps = "check the disk it lies on, and the room for temporary files"
    return ReadError.at(name, found, helps=helps)


def _cannot_open(name: str, error: OSError | ValueError) -> ReadError:
    if isinstance(error, FileNotFoundError):
        found, helps = "there is no such file", "check the name and the folder"
    elif isinstance(error, PermissionError):
        found = "this file may not be read"
        helps = "check its permissions, and close the program that has it open (a spreadsheet locks its files)"
    else:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        found, helps = f"this file cannot be opened ({reason})", "check the name"
    return ReadError.at(name, found, helps=helps)


def _held(stream: BinaryIO, name: str) -> tuple[LogStream, Callable[[], BinaryIO]]:
    """The rest of a stream that cannot be read twice, kept until the log is closed."""
    held = Spool()
    try:
        while block := stream.read(BLOCK_BYTES):
            held.write(block)
    except OSError as error:
        raise _cannot_open(name, error) from None
    size = held.tell()
    held.seek(0)

    @contextmanager
    def again() -> Iterator[Spool]:
        held.seek(0)
        yield held
        held.seek(0)

    # Hashing comes before parsing here, never beside it: both would move the same position.
    log = LogStream(cast("BinaryIO", held), name=name, size=size, shared=True)
    return log, cast("Callable[[], BinaryIO]", again)


def unpacked(log: LogStream, options: ReadOptions) -> tuple[LogStream, str | None]:
    """The log without its compression, and the compression's name.

    Raises
    ------
    ReadError
        If the compressed data are broken, or unpack to more than the limits allow.
    """
    head = log.read(8)
    log.seek(0)
    kind = compression_of(head)
    if kind is None:
        return log, None
    held = Spool()
    total = since_line_end = n_lines = 0
    with _unpacking(log, kind) as stream:
        while block := stream.read(BLOCK_BYTES):
            total += len(block)
            n_lines += max(block.count(b"\n"), block.count(b"\r"))
            check_unpacked_size(total, log.name, log.size, options, n_rows=n_lines)
            last = max(block.rfind(b"\n"), block.rfind(b"\r"))
            since_line_end = since_line_end + len(block) if last < 0 else len(block) - last - 1
            # Tables (Arrow, Parquet) have no lines: only what begins like text is held to the limit.
            if since_line_end > max(options.max_line_bytes, BLOCK_BYTES) + BLOCK_BYTES and b"\0" not in block:
                raise long_line(log.name, options)
            held.write(block)
    held.seek(0)
    log.seek(0)
    return LogStream(cast("BinaryIO", held), name=log.name, size=total), kind


def first_block(log: LogStream) -> bytes:
    """The first bytes of a log, unpacked."""
    kind = compression_of(log.read(8))
    log.seek(0)
    if kind is None:
        return log.read(FIRST_BYTES)
    with _unpacking(log, kind) as stream:
        return stream.read(FIRST_BYTES)


def long_line(name: str, options: ReadOptions) -> ReadError:
    """The error for a line that no log has."""
    found = f"a line is longer than {options.max_line_bytes} bytes"
    helps = "a frame log has one short line for each frame; --max-line-bytes raises the limit"
    return ReadError.at(name, found, helps=helps)


def check_unpacked_size(total: int, name: str, size: int, options: ReadOptions, *, n_rows: int = 0) -> None:
    """Refuse a log that unpacks to more than the limits allow.

    Parameters
    ----------
    total : int
        Bytes that it unpacks to, or has unpacked to so far.
    name : str
    size : int
        Bytes as stored.
    n_rows : int
        Rows among them, as far as known.

    Raises
    ------
    ReadError
    """
    held = max(total, n_rows * ROW_BYTES)
    if held > options.max_decompressed_bytes:
        limit, found, option = f"{options.max_decompressed_bytes} bytes", held, "--max-decompressed-bytes"
    elif total > (64 << 20) and total > options.max_decompression_ratio * max(size, 1):
        limit, found, option = f"{options.max_decompression_ratio:g} times its size", total, "--max-decompression-ratio"
    else:
        return
    what = f"unpacks to more than {limit} ({found} or more, from {size} stored)"
    helps = f"raise {option} if the file can be trusted"
    raise ReadError.at(name, what, helps=helps)


@contextmanager
def _unpacking(log: LogStream, kind: str) -> Iterator[BinaryIO]:
    """The stream of what a log unpacks to; whatever broken data raise there is one line."""
    import zlib
    from importlib import import_module
    from lzma import LZMAError

    try:
        if kind == "zstd":
            import pyarrow as pa

            opened: Any = pa.CompressedInputStream(pa.PythonFile(KeptOpen(log), mode="r"), "zstd")
        else:
            opened = import_module("lzma" if kind == "xz" else kind).open(log, "rb")
        with opened as stream:
            yield stream
    except (LZMAError, zlib.error, OSError, EOFError, ValueError) as error:
        if isinstance(error, OSError) and error.errno is not None:
            raise _cannot_read(log.name, error) from None
        cut = isinstance(error, EOFError) or "truncated" in str(error).casefold()
        found = f"the {kind} data end before their time" if cut else f"the {kind} data are damaged"
        raise ReadError.at(log.name, found, helps="copy the file again, or record the run again") from None


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
