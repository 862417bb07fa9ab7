"""One writer at a time for each output, on every system, with no lock that outlives its process.

The system holds the lock and takes it from a process that ends, however it ends. The file beside the output only
carries it, and says to people who holds it; one that a killed process has left is taken over as it lies.
"""

from __future__ import annotations

import contextlib
import errno
import os
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

from frametime.errors import OutputError, printable

WAIT_S: Final = 10.0
"""How long a second writer waits, in s."""

LOCK_ENDING: Final = ".frametime-lock"
_POLL_S: Final = 0.05
_TRIES: Final = 20
_MOST_OF_NAME: Final = 60
_FAR: Final = 1 << 30
"""The byte that is locked on Windows: none of those that say who holds the lock, or nobody else could read them."""

on_wait: Callable[[str], None] = lambda told: None  # noqa: E731  # the command line puts its own in place
"""Called with a sentence when a writer begins to wait."""

_held: Final[set[tuple[Path, int]]] = set()


@contextlib.contextmanager
def alone_with(output: Path, *, wait_s: float | None = None) -> Iterator[None]:
    """Be the only writer of a file or folder until the block ends; a thread that is so already goes on at once.

    Parameters
    ----------
    output : Path
        Folders that are missing above it are made, and go away again where nothing was put into them.
    wait_s : float
        How long to wait for another writer; by default `WAIT_S`.

    Raises
    ------
    OutputError
        If another process still writes it then, naming that; or no lock can be put beside the output.
    """
    output = Path(os.path.realpath(output))
    key = (output, threading.get_ident())
    if key in _held or (output.exists() and not (output.is_file() or output.is_dir())):  # a device: never written
        yield
        return
    missing = [folder for folder in output.parents if not folder.exists()]
    place, handle = _wait_for(output, WAIT_S if wait_s is None else wait_s)
    _held.add(key)
    try:
        yield
    finally:
        _held.discard(key)
        _let_go(place, handle)
        for folder in missing:
            with contextlib.suppress(OSError):
                folder.rmdir()


def _wait_for(output: Path, wait_s: float) -> tuple[Path, int]:
    """The file that carries the lock, and its handle."""
    until = time.monotonic() + wait_s
    is_told = False
    while True:
        place, handle = _take(output)
        if handle is not None:
            return place, handle
        if time.monotonic() >= until:
            helps = "wait for that to end, or give the output another name"
            raise OutputError.at(str(output), f"{_holder(place)} writes it", helps=helps)
        if not is_told:
            on_wait(f"{printable(str(output))}: {_holder(place)} writes it; waiting up to {wait_s:g} s")
            is_told = True
        time.sleep(_POLL_S)


def _take(output: Path) -> tuple[Path, int | None]:
    """The file of the lock and its handle; None where another holds it, or has just removed it."""
    place = output.with_name(f".{output.name[:_MOST_OF_NAME]}{LOCK_ENDING}")
    try:
        handle = _made(place)
    except OSError as error:
        place = output / place.name
        if not output.is_dir():
            raise OutputError.at(str(output.parent), f"cannot write here ({error.strerror or error})") from error
        try:
            handle = _made(place)
        except OSError:
            raise OutputError.at(str(output.parent), f"cannot write here ({error.strerror or error})") from error
    if _is_locked(handle) and _is_still(place, handle):
        # On a full disk nobody can read who holds it.
        with contextlib.suppress(OSError):
            os.ftruncate(handle, 0)
            os.write(handle, _own_words().encode("utf-8", "backslashreplace"))
        return place, handle
    os.close(handle)
    return place, None


def _made(place: Path) -> int:
    for _ in range(_TRIES):  # the writer before may just take away the folder that it had made
        with contextlib.suppress(FileNotFoundError):
            place.parent.mkdir(parents=True, exist_ok=True)
            return os.open(place, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o666)
    raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT))


def _is_locked(handle: int) -> bool:
    """Lock an open file, and say whether that went well."""
    try:
        import fcntl
    except ImportError:
        import msvcrt

        os.lseek(handle, _FAR, os.SEEK_SET)
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
        except OSError:
            return False
        os.lseek(handle, 0, os.SEEK_SET)
        return True
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:  # a disk that knows no locks: the files are still put in place whole
        return True
    return True


def _is_still(place: Path, handle: int) -> bool:
    """Whether the locked file is the one of that name: the writer before may have removed it since it was opened."""
    try:
        return os.path.samestat(os.fstat(handle), place.stat())
    except OSError:
        return False


def _let_go(place: Path, handle: int) -> None:
    if os.name == "nt":  # no open file can be removed there; one that another has opened stays for that to remove
        os.close(handle)
        with contextlib.suppress(OSError):
            place.unlink()
        return
    if _is_still(place, handle):
        with contextlib.suppress(OSError):
            place.unlink()
    os.close(handle)


def _own_words() -> str:
    import platform

    return f"process {os.getpid()} on {platform.node() or 'this machine'} (since {time.strftime('%Y-%m-%d %H:%M:%S')})"


def _holder(place: Path) -> str:
    """Who holds the lock, as far as it can be read."""
    try:
        with place.open("rb") as stream:
            told = stream.read(400).decode("utf-8", "replace")
    except OSError:
        told = ""
    return printable(told) or "another process"
