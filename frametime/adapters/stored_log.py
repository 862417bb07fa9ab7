"""The bytes of a log as they lie in the file: opened, hashed, unpacked within limits, and given a name for messages."""

from __future__ import annotations

import io
import os
import re
import stat
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import partial
from typing import Any, BinaryIO, Final, NamedTuple, TypeAlias, TypeVar, cast

from frametime.adapters.arrow.arrow_columns import pa
from frametime.adapters.base import ReadOptions
from frametime.errors import FrametimeError, ReadError, printable
from frametime.words import counted, first_of

Result = TypeVar("Result")
Source: TypeAlias = str | os.PathLike[str] | BinaryIO
"""A path, ``-`` for standard input, or a stream."""

BLOCK_BYTES: Final = 1 << 20
"""How much of a stream is read at a time."""
FIRST_BYTES: Final = 1 << 16
"""How much of a log tells what it is."""
ROW_BYTES: Final = 40
"""What a row holds at least while its times are worked on (measured: 45 bytes in a log of two columns)."""
_IN_MEMORY_BYTES: Final = 256 << 20
_AT_ONCE_BYTES: Final = 1 << 20

ARROW_HEADS: Final = (b"ARROW1\0\0", b"PAR1", b"\xff\xff\xff\xff")
"""First bytes of an Arrow IPC file, a Parquet file and an Arrow IPC stream."""
_PACKED: Final = {b"\x1f\x8b": "gzip", b"BZh": "bz2", b"\xfd7zXZ\0": "xz", b"(\xb5/\xfd": "zstd", b"PK\3\4": "zip"}


class KeptOpen(io.RawIOBase):
    """A view of a seekable stream that leaves it open when its own reader is closed or forgotten."""

    def __init__(self, inner: BinaryIO | LogStream) -> None:
        self._inner = inner

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = io.SEEK_SET, /) -> int:
        return self._inner.seek(offset, whence)

    def read(self, size: int = -1, /) -> bytes:
        return self._inner.read(size)


class LogStream(KeptOpen):
    """A seekable binary stream that knows the name and size of its log, and closes what lies under it.

    ``state`` is that of the file when it was opened; empty where the bytes lie in no file that can be opened again.
    """

    def __init__(self, inner: BinaryIO, *, name: str, size: int, state: tuple[int, ...] = ()) -> None:
        super().__init__(inner)
        self.name = name
        self.size = size
        self.state = state
        self.memory = inner if isinstance(inner, io.BytesIO) else None

    def close(self) -> None:
        if not self.closed:
            self._inner.close()
        super().close()

    def refuse_change(self) -> None:
        """Refuse a file that is not as it was when it was opened.

        Raises
        ------
        ReadError
        """
        try:
            is_same = not self.state or _state_in(os.stat(self.name)) == self.state  # noqa: PTH116 - the same
        except OSError:
            is_same = False
        if not is_same:
            helps = "wait until its recording has ended"
            raise ReadError.at(self.name, "the file changed while it was read", helps=helps)


def new_spool() -> BinaryIO:
    """A place for bytes that are made while reading: in memory up to 256 MiB, then in a nameless temporary file."""
    from tempfile import SpooledTemporaryFile

    class Spool(SpooledTemporaryFile[bytes]):
        def __del__(self) -> None:
            self.close()  # a text goes with whoever reads it, which is no fault here

    return cast("BinaryIO", Spool(max_size=_IN_MEMORY_BYTES))


def arrow_stream(log: BinaryIO | LogStream) -> Any:
    """A stream as Arrow reads it; it stays open."""
    return pa.PythonFile(cast("Any", KeptOpen(log)), mode="r")


def part_of(log: BinaryIO | LogStream, start: int, end: int) -> Any:
    """The bytes from one place to another, as a stream of Arrow's; of a plain file without Python between."""
    size = max(0, end - start)
    if isinstance(log, LogStream) and log.memory:
        return pa.BufferReader(memoryview(log.memory.getvalue())[start:end])
    if isinstance(log, LogStream) and log.state:
        with suppress(OSError):
            name: Any = os.fsencode(log.name)  # bytes, because a name need not be text
            return pa.OSFile(name, "r").get_stream(start, size)
    return arrow_stream(log).get_stream(start, size)


def name_and_size(log: BinaryIO) -> tuple[str, int]:
    """Name of a log for messages, and the number of its bytes; leaves it at its start."""
    name = getattr(log, "name", None)
    size = log.seek(0, io.SEEK_END)
    log.seek(0)
    return name if isinstance(name, str) and name else "log", size


def _state_in(found: os.stat_result) -> tuple[int, ...]:
    """What tells a file from another one, and from itself after a change."""
    return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns


def compression_of(head: bytes) -> str | None:
    """Name of the compression that a file begins with, or ``None``.

    Examples
    --------
    >>> compression_of(b"BZh91AY"), compression_of(b"time,ms")
    ('bz2', None)
    """
    return next((name for magic, name in _PACKED.items() if head.startswith(magic)), None)


class OpenedLog(NamedTuple):
    """A log at hand.

    Attributes
    ----------
    stored : LogStream
        As it lies in the file.
    log : LogStream
        Without its compression.
    compression : str or None
    sha256 : callable
        Gives the hash of the bytes as stored; waits for it where it is still being taken. Raises a ``ReadError`` or
        an ``OSError`` if they could not be read a second time.
    """

    stored: LogStream
    log: LogStream
    compression: str | None
    sha256: Callable[[], str]

    def about(self) -> dict[str, Any]:
        """What a ``Provenance`` says of the file itself."""
        return {"file_name": self.stored.name, "sha256": self.sha256(), "size_bytes": self.stored.size}


@contextmanager
def opened_log(source: Source, options: ReadOptions, *, use_threads: bool) -> Iterator[OpenedLog]:
    """Open a path, ``-`` or a stream.

    Refuses what was read from a log that grew, was cut, gave an error of the system meanwhile or fills the memory.

    Raises
    ------
    ReadError
        Also if the file is missing, a folder, a device, or may not be read; or the compressed data are broken, or
        unpack to more than the limits allow.
    """
    with _stored(source) as stored:
        try:
            sha256 = in_passing(stored, partial(_hash, stored), use_threads=use_threads)
            stored.seek(0)
            yield OpenedLog(stored, *unpacked(stored, options), sha256)
        except FrametimeError:
            # Half a file reads as a broken one: that it changed is the better reason.
            stored.refuse_change()
            raise
        except MemoryError:
            found = f"there is not enough memory to hold it ({stored.size} bytes stored)"
            helps = "read a part of it, or set --max-decompressed-bytes to refuse such a log before it is unpacked"
            raise ReadError.at(stored.name, found, helps=helps) from None
        except OSError as error:
            stored.refuse_change()
            raise _cannot_read(stored.name, error) from None
        stored.refuse_change()


def address_space_is_limited() -> bool:
    """Whether addresses may run out: a new thread that gets none ends the process in the words of the C library."""
    try:
        import resource
    except ImportError:
        return False  # a system without such a limit
    return resource.getrlimit(resource.RLIMIT_AS)[0] != resource.RLIM_INFINITY


def _hash(stored: LogStream) -> str:
    import hashlib

    return hashlib.file_digest(stored.memory or part_of(stored, 0, stored.size), "sha256").hexdigest()


def in_passing(log: BinaryIO | LogStream, work: Callable[[], Result], *, use_threads: bool) -> Callable[[], Result]:
    """What a look over all bytes of a log gives, to be asked for later: of a large file it goes on in a thread.

    A small log is looked at now, and one that has a single position.
    """
    if not (use_threads and isinstance(log, LogStream) and log.state and not log.memory):
        done = work()
        return lambda: done
    from concurrent.futures import ThreadPoolExecutor

    thread = ThreadPoolExecutor(1)
    working = thread.submit(work)
    thread.shutdown(wait=False)
    return working.result


def _stored(source: Source) -> LogStream:
    if not isinstance(source, str | os.PathLike):
        name = getattr(source, "name", None)
        return _held(source, name if isinstance(name, str) and name else "log")
    name = os.fspath(source)
    if name == "-":
        return _held(sys.stdin.buffer, "-")
    try:
        kind = os.stat(name).st_mode  # noqa: PTH116 - pathlib costs a quick check 5 ms
        if stat.S_ISDIR(kind):
            helps = "give a file, or use 'frametime batch' for a folder"
            raise ReadError.at(name, "this is a folder, not a log", helps=helps)
        if not stat.S_ISREG(kind) and not stat.S_ISFIFO(kind):
            raise ReadError.at(name, "this is not a file", helps="give a file with one row for each frame")
        opened: Any = open(name, "rb")  # noqa: SIM115, PTH123 - closed with the stream that wraps it
        if stat.S_ISFIFO(kind):
            with opened:
                return _held(opened, name)
        state, size = _state_in(os.fstat(opened.fileno())), name_and_size(opened)[1]
        if size <= _AT_ONCE_BYTES:  # a short log is read whole, once
            with opened:
                opened = io.BytesIO(opened.read())
    except (OSError, ValueError) as error:
        raise _cannot_open(name, error) from None
    return LogStream(opened, name=name, size=size, state=state)


def _cannot_read(name: str, error: OSError) -> ReadError:
    found = f"this file cannot be read to its end ({printable(error.strerror or str(error) or type(error).__name__)})"
    return ReadError.at(name, found, helps="check the disk it lies on, and the room for temporary files")


def _cannot_open(name: str, error: OSError | ValueError) -> ReadError:
    if isinstance(error, FileNotFoundError):
        found, helps = "there is no such file", "check the name and the folder"
    elif isinstance(error, PermissionError):
        found = "this file may not be read"
        helps = "check its permissions, and close the program that has it open (a spreadsheet locks its files)"
    else:
        found, helps = f"this file cannot be opened ({getattr(error, 'strerror', None) or error})", "check the name"
    return ReadError.at(name, found, helps=helps)


def _held(stream: BinaryIO, name: str) -> LogStream:
    """The rest of a stream that cannot be read twice, kept until the log is closed."""
    held = new_spool()
    try:
        while block := stream.read(BLOCK_BYTES):
            held.write(block)
    except OSError as error:
        raise _cannot_open(name, error) from None
    return LogStream(held, name=name, size=name_and_size(held)[1])


def unpacked(log: LogStream, options: ReadOptions) -> tuple[LogStream, str | None]:
    """The log without its compression, and the compression's name.

    Raises
    ------
    ReadError
        If the compressed data are broken, or unpack to more than the limits allow.
    """
    kind = compression_of(log.read(8))
    log.seek(0)
    if kind is None:
        return log, None
    held = new_spool()
    total = since_line_end = n_lines = 0
    with _unpacking(log, kind) as stream:
        while block := stream.read(BLOCK_BYTES):
            if not total and compression_of(block) is not None:
                raise ReadError.at(log.name, "the file is compressed twice", helps="unpack it once")
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
    return LogStream(held, name=log.name, size=total), kind


def first_block(log: LogStream, n_bytes: int = FIRST_BYTES) -> bytes:
    """The first bytes of a log, unpacked."""
    kind = compression_of(log.read(8))
    log.seek(0)
    if kind is None:
        return log.read(n_bytes)
    with _unpacking(log, kind) as stream:
        return stream.read(n_bytes)


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
    raise ReadError.at(name, what, helps=f"raise {option} if the file can be trusted")


@contextmanager
def _unpacking(log: LogStream, kind: str) -> Iterator[BinaryIO]:
    """The stream of what a log unpacks to; whatever broken data raise there is one line."""
    import zlib
    from importlib import import_module
    from lzma import LZMAError

    module: Any = None if kind == "zstd" else import_module({"xz": "lzma", "zip": "zipfile"}.get(kind, kind))
    broken = LZMAError, zlib.error, OSError, EOFError, ValueError, RuntimeError, getattr(module, "BadZipFile", OSError)
    unpack: Any = _only_file if kind == "zip" else module and module.open
    try:
        opened: Any = unpack(log, "rb") if unpack else pa.CompressedInputStream(arrow_stream(log), "zstd")
        with opened as stream:
            yield stream
    except broken as error:
        if isinstance(error, OSError) and error.errno is not None:
            raise _cannot_read(log.name, error) from None
        cut = isinstance(error, EOFError) or "truncated" in str(error).casefold()
        found = f"the {kind} data end before their time" if cut else f"the {kind} data are damaged"
        raise ReadError.at(log.name, found, helps="copy the file again, or record the run again") from None


def _only_file(log: LogStream, mode: str) -> Any:
    """The one file in a ZIP archive, opened; what systems hide there does not count.

    Raises
    ------
    ReadError
        If there are several, or none, or it is encrypted or packed by a method that is not known here.
    """
    from zipfile import ZipFile

    archive = ZipFile(cast("BinaryIO", log))
    files = [each for each in archive.infolist() if not re.search(r"/$|^__MACOSX/|(?:^|/)\.", each.filename)]
    with suppress(NotImplementedError):
        if len(files) == 1 and not files[0].flag_bits & 1:
            return archive.open(files[0])
    what = "a file that is encrypted, or packed by another method" if len(files) == 1 else counted(len(files), "file")
    names = f" ({first_of([each.filename for each in files], 6)})" if files else ""
    found = printable(f"this archive holds {what}{names}", limit=300)
    raise ReadError.at(log.name, found, helps="unpack it and give one log, or save the sheet as CSV")
