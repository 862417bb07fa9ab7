"""Files and folders that are put in place whole: made under a temporary name beside their own, then renamed.

Every output of the package is written here, so that a stop at any moment leaves no half file under a final name, and
none takes the place of another unasked.

Each has one writer at a time, on every system, with no lock that outlives its process. The system holds the lock and
takes it from a process that ends, however it ends. The file beside the output only carries it, and says to people who
holds it; one that a killed process has left is taken over as it lies.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import stat
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Final, TypeVar

from frametime.errors import EndingError, OutputError, printable

Made = TypeVar("Made")

_MOST_OF_NAME: Final = 80
"""Signs of a name that its temporary name begins with: names have a greatest length."""
WAIT_S: Final = 10.0
"""How long a second writer waits, in s."""
LOCK_ENDING: Final = ".frametime-lock"
_MOST_OF_LOCK: Final = 60
_POLL_S: Final = 0.05
_TRIES: Final = 20
_FAR: Final = 1 << 30
"""The byte that is locked on Windows: none of those that say who holds the lock, or nobody else could read them."""

on_wait: Callable[[str], None] = lambda told: None  # noqa: E731  # the command line puts its own in place
"""Called with a sentence when a writer begins to wait."""

_held: Final[set[tuple[Path, int]]] = set()


class _Undivided(threading.local):
    """A block that no stop divides: one that comes meanwhile, as by Ctrl-C, counts when the block has ended.

    Signals come to the main thread only; the blocks of others hold none up.
    """

    n_open = 0
    late: BaseException | None = None

    def __enter__(self) -> None:
        self.n_open += 1

    def __exit__(self, *_: object) -> None:
        self.n_open -= 1
        late = self.late
        if late is not None and not self.n_open:
            self.late = None
            raise late

    def stop(self, how: BaseException) -> None:
        """Raise it, at once or when the block ends: for who handles signals."""
        if not self.n_open:
            raise how
        self.late = how


undivided: Final = _Undivided()


def refuse_existing(
    paths: Iterable[Path], *, force: bool, helps: str = "--force replaces it", are_folders: bool = False
) -> None:
    """Stop before any work where a file or folder would be replaced, or cannot be made.

    Parameters
    ----------
    paths : iterable of Path
        All that is going to be written.
    force : bool
        Whether they may be replaced.
    helps : str
        What to do instead.
    are_folders : bool
        Whether folders are to be written; a file takes the place of no folder.

    Raises
    ------
    OutputError
        Naming the first of those that are there, and the number of the others; or the file or folder that is in the
        way of one.
    """
    paths = list(paths)
    for path in paths:
        if path.is_dir() and not are_folders:
            raise OutputError.at(str(path), "this is a folder", helps="name a file")
        there = next((folder for folder in path.parents if folder.exists()), None)
        if there is not None and not there.is_dir():
            raise OutputError.at(str(there), "this is a file, not a folder", helps="name another folder")
    found = [] if force else [path for path in paths if path.exists() or path.is_symlink()]
    if found:
        what = "folder" if found[0].is_dir() else "file"
        told = f"the {what} exists" if len(found) == 1 else f"the {what} and {len(found) - 1} more exist"
        raise OutputError.at(str(found[0]), told, helps=helps)


def refuse_strangers(folder: Path, is_own: Callable[[str], bool], *, writer: str) -> None:
    """Refuse to replace a folder that holds what no earlier output has written: it would be lost.

    Parameters
    ----------
    folder : Path
    is_own : callable
        Whether a file is such an output, by its name below the folder.
    writer : str
        What would have written it, for the message.

    Raises
    ------
    OutputError
    """
    if (folder.exists() and not folder.is_dir()) or folder.is_symlink():
        raise OutputError.at(str(folder), "this is not a folder", helps="name another folder")
    for root, folders, names in os.walk(folder):  # level by level: a folder of others may be large
        folders.sort()
        for path in sorted(Path(root, name) for name in (*names, *folders)):
            inner = path.relative_to(folder).as_posix()
            if (path.is_symlink() or not path.is_dir()) and not is_own(inner):
                found = f"it holds '{printable(inner)}', which no {writer} has written, and would be lost"
                raise OutputError.at(str(folder), found, helps="name another folder, or move that elsewhere")


def refuse_ending(path: Path, endings: Sequence[str], what: str) -> None:
    """Refuse a name that ends in no format of a chart, a report or what else is to be written.

    Raises
    ------
    EndingError
    """
    if path.suffix.lower() not in endings:
        helps = f"use {', '.join(endings[:-1])} or {endings[-1]}"
        raise EndingError.at(str(path), f"the ending {path.suffix!r} is no format for a {what}", helps=helps)


@contextlib.contextmanager
def claiming(
    paths: Iterable[Path], *, force: bool, folder: Path | None = None, helps: str = "--force replaces it"
) -> Iterator[None]:
    """Be the only writer of files until the block ends, and refuse those that are there, as `refuse_existing` does.

    Parameters
    ----------
    paths : iterable of Path
        All that the block writes.
    folder : Path, optional
        Where they lie together: one that writes others there is waited for too.
    force : bool
    helps : str

    Raises
    ------
    OutputError
        Also where another process writes there.
    """
    paths = list(paths)
    refuse_existing(paths, force=force, helps=helps)
    with contextlib.ExitStack() as held:
        for path in [*([] if folder is None else [folder]), *sorted(paths)]:
            held.enter_context(alone_with(path))
        refuse_existing(paths, force=force, helps=helps)  # what another has written meanwhile
        yield


@contextlib.contextmanager
def replacing(path: Path, *, is_forced: bool = False) -> Iterator[Path]:
    """A temporary name beside ``path`` that takes its place when the block ends well, and goes away when not.

    Parameters
    ----------
    path : Path
        A file that is there hands its rights on; folders that are missing above it are made.
    is_forced : bool
        Force the new content and its name to the disk before the block ends: it is there after a machine that freezes.

    Raises
    ------
    OutputError
        If the folder cannot be written or the file cannot be replaced.
    """
    if path.exists() and not path.is_file():
        what = "folder" if path.is_dir() else "device or pipe"  # an administrator could replace even that
        raise OutputError.at(str(path), f"this is a {what}", helps="name a file")
    with _made_beside(path, Path.touch) as temporary:
        if path.exists():
            temporary.chmod(stat.S_IMODE(path.stat().st_mode))
        yield temporary
        if is_forced:
            _force(temporary)
        temporary.replace(path)
        if is_forced:
            with contextlib.suppress(OSError):  # systems that cannot open a folder force its names by themselves
                _force(path.parent)


@contextlib.contextmanager
def replacing_folder(path: Path, *, last: str = "") -> Iterator[Path]:
    """A temporary folder beside ``path`` that takes its place, or that of the folder there, as in `replacing`.

    Where the system renames no such folder, as one on which a disk is mounted, its content is replaced: ``last`` goes
    first and comes back last, so that a folder with it is whole.

    Raises
    ------
    OutputError
        If the folder above cannot be written or the folder cannot be replaced.
    """
    with _made_beside(path, Path.mkdir) as temporary:
        yield temporary
        with undivided:
            _put_folder_in_place(temporary, path, last)


@contextlib.contextmanager
def _made_beside(path: Path, make: Callable[[Path], object]) -> Iterator[Path]:
    """Something under a temporary name, gone when the block ends, even where a stop comes while it is being made."""
    name = f"{_prefix(path)}{os.urandom(4).hex()}.part"
    with _refusing(path):
        try:
            yield _beside(path, name, make)[0]
        finally:
            with undivided:
                for place in (path.with_name(name), path / name):
                    with contextlib.suppress(NotADirectoryError):
                        _remove(place)


def _put_folder_in_place(made: Path, path: Path, last: str) -> None:
    # A folder that holds something cannot be replaced by one rename: the old one steps aside for a moment.
    aside = made.with_suffix(".old")
    try:
        path.rename(aside)
    except FileNotFoundError:
        made.rename(path)
        return
    except OSError:
        _exchange_content(made, path, last)
        return
    try:
        made.rename(path)
    except OSError:
        aside.rename(path)
        raise
    _remove(aside)


def _exchange_content(made: Path, path: Path, last: str) -> None:
    from shutil import move

    # Hidden files say what the others are: of the old ones they go last, of the new ones they come first.
    for old in sorted(path.iterdir(), key=lambda entry: (entry.name != last, entry.name.startswith("."))):
        if not old.name.startswith(_prefix(path)):  # the new content, and the lock
            _remove(old)
    for new in sorted(made.iterdir(), key=lambda entry: (entry.name == last, not entry.name.startswith("."))):
        move(new, path / new.name)


def clear_leftovers(path: Path) -> None:
    """Remove what runs that were killed while they wrote ``path`` have left, beside it and in it.

    A folder that had stepped aside for one that never came is put back.
    """
    left = re.compile(re.escape(_prefix(path)) + r".{8}\.(part|old)")
    for folder in (path.parent, path):
        with contextlib.suppress(OSError):  # it is a file, or not there, or may not be looked into
            for entry in folder.iterdir():
                if left.fullmatch(entry.name) and entry.suffix == ".old" and not path.exists():
                    entry.rename(path)
                elif left.fullmatch(entry.name):
                    _remove(entry)


def _remove(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        from shutil import rmtree

        rmtree(path, ignore_errors=True)
    else:
        path.unlink(missing_ok=True)


def write_text(path: Path, text: str) -> None:
    """Write a text file whole: UTF-8, line ends as they are.

    Raises
    ------
    OutputError
    """
    write_bytes(path, text.encode("utf-8"))


def write_bytes(path: Path, content: bytes, *, is_forced: bool = False) -> None:
    """Write a file whole, as `replacing` does.

    Raises
    ------
    OutputError
    """
    with replacing(path, is_forced=is_forced) as temporary:
        temporary.write_bytes(content)


@contextlib.contextmanager
def _refusing(path: Path, *, is_folder: bool = False) -> Iterator[None]:
    """Say in one line why the system refuses to write a file, or in a folder."""
    try:
        yield
    except OSError as error:
        found, helps = f"cannot {'write here' if is_folder else 'be written'} ({error.strerror or error})", None
        if isinstance(error, PermissionError) and not is_folder:
            found, helps = "cannot be replaced", "close it in the program that has it open, and try again"
        raise OutputError.at(str(path), found, helps=helps) from error


def _beside(path: Path, name: str, make: Callable[[Path], Made]) -> tuple[Path, Made]:
    """Something made beside an output, and what making it gave; in a folder where nothing can be made beside it."""

    def made(place: Path) -> tuple[Path, Made]:
        for _ in range(_TRIES):  # another writer may just take away the folder that it had made
            with contextlib.suppress(FileNotFoundError):
                place.parent.mkdir(parents=True, exist_ok=True)
                return place, make(place)
        raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT))

    with _refusing(path.parent, is_folder=True):
        try:
            return made(path.with_name(name))
        except OSError:
            if not path.is_dir():
                raise
        return made(path / name)


def _prefix(path: Path) -> str:
    return f".{path.name[:_MOST_OF_NAME]}."


def _force(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextlib.contextmanager
def alone_with(output: Path) -> Iterator[None]:
    """Be the only writer of a file or folder until the block ends; a thread that is so already goes on at once.

    What runs that were killed while they wrote it have left goes away first.

    Parameters
    ----------
    output : Path
        Folders that are missing above it are made, and go away again where nothing was put into them, as it does
        itself.

    Raises
    ------
    OutputError
        If another process still writes it after `WAIT_S`, naming that; or no lock can be put beside the output.
    """
    named, output = output, Path(os.path.realpath(output))
    key = (output, threading.get_ident())
    if key in _held or (output.exists() and not (output.is_file() or output.is_dir())):  # a device: never written
        yield
        return
    missing = [folder for folder in (output, *output.parents) if not folder.exists()]
    taken: list[tuple[Path, int]] = []
    try:
        _wait_for(output, taken)
        _held.add(key)
        for place in dict.fromkeys((output, named)):
            clear_leftovers(place)
        yield
    finally:
        with undivided:
            _held.discard(key)
            for place, handle in taken:
                _let_go(place, handle)
            for folder in missing:
                with contextlib.suppress(OSError):
                    folder.rmdir()


def _wait_for(output: Path, taken: list[tuple[Path, int]]) -> None:
    """Put the file that carries the lock and its handle into ``taken``."""
    until = time.monotonic() + WAIT_S
    is_told = False
    while True:
        with undivided:
            place, handle = _take(output)
            if handle is not None:
                taken.append((place, handle))
                return
        if time.monotonic() >= until:
            helps = "wait for that to end, or give the output another name"
            raise OutputError.at(str(output), f"{_holder(place)} writes it", helps=helps)
        if not is_told:
            on_wait(f"{printable(str(output))}: {_holder(place)} writes it; waiting up to {WAIT_S:g} s")
            is_told = True
        time.sleep(_POLL_S)


def _take(output: Path) -> tuple[Path, int | None]:
    """The file of the lock and its handle; None where another holds it, or has just removed it."""
    how = os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0)
    name = f".{output.name[:_MOST_OF_LOCK]}{LOCK_ENDING}"
    place, handle = _beside(output, name, lambda place: os.open(place, how, 0o666))
    if _is_locked(handle) and _is_still(place, handle):
        # On a full disk nobody can read who holds it.
        with contextlib.suppress(OSError):
            os.ftruncate(handle, 0)
            os.write(handle, _own_words().encode("utf-8", "backslashreplace"))
        return place, handle
    os.close(handle)
    return place, None


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
    # A disk that knows no locks: the files are still put in place whole.
    with contextlib.suppress(OSError):
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
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
    told = ""
    with contextlib.suppress(OSError), place.open("rb") as stream:
        told = stream.read(400).decode("utf-8", "replace")
    return printable(told) or "another process"
