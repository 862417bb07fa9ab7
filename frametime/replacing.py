"""Files and folders that are put in place whole: made under a temporary name beside their own, then renamed.

Every output of the package is written here, so that a stop at any moment leaves no half file under a final name, and
none takes the place of another unasked.
"""

from __future__ import annotations

import contextlib
import glob
import os
import shutil
import stat
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Final

from frametime.errors import EndingError, OutputError, printable
from frametime.locking import alone_with

_MOST_OF_NAME: Final = 80
"""Signs of a name that its temporary name begins with: names have a greatest length."""


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
    if not are_folders:
        for path in paths:
            if path.is_dir():
                raise OutputError.at(str(path), "this is a folder", helps="name a file")
    _refuse_blocked({path.parent for path in paths})
    if force:
        return
    found = [path for path in paths if path.exists() or path.is_symlink()]
    if not found:
        return
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
    if not folder.is_dir() or folder.is_symlink():
        if folder.exists() or folder.is_symlink():
            raise OutputError.at(str(folder), "this is not a folder", helps="name another --out")
        return
    for root, folders, names in os.walk(folder):
        folders.sort()
        for name in sorted([*names, *(link for link in folders if Path(root, link).is_symlink())]):
            inner = Path(root, name).relative_to(folder).as_posix()
            if not is_own(inner):
                raise OutputError.at(
                    str(folder),
                    f"it holds '{printable(inner)}', which no {writer} has written, and would be lost",
                    helps="name another folder, or move that elsewhere",
                )


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

    What a run that was killed while it wrote one of them has left goes away.

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
        for path in paths:
            clear_leftovers(path)
        yield


def _refuse_blocked(folders: Iterable[Path]) -> None:
    """Refuse folders that cannot be made because a file stands in their place, or in that of one above."""
    for folder in folders:
        there = next((path for path in (folder, *folder.parents) if path.exists()), None)
        if there is not None and not there.is_dir():
            raise OutputError.at(str(there), "this is a file, not a folder", helps="name another folder")


def make_parent(path: Path) -> None:
    """Make the folders above ``path`` that are missing.

    Raises
    ------
    OutputError
    """
    with _cannot_write_in(path.parent):
        path.parent.mkdir(parents=True, exist_ok=True)


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
    with _refusals(path):
        make_parent(path)
        with _cannot_write_in(path.parent):
            handle, name = tempfile.mkstemp(prefix=_prefix(path), suffix=".part", dir=path.parent)
        os.close(handle)
        temporary = Path(name)
        try:
            yield temporary
            # A temporary file is private; the result has the rights of the one before, or those of any new file.
            temporary.chmod(stat.S_IMODE(path.stat().st_mode) if path.exists() else 0o666 & ~_umask())
            if is_forced:
                _force(temporary)
            temporary.replace(path)
            if is_forced:
                with contextlib.suppress(OSError):  # systems that cannot open a folder force its names by themselves
                    _force(path.parent)
        finally:
            temporary.unlink(missing_ok=True)


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
    with _refusals(path):
        make_parent(path)
        temporary = _new_folder(path)
        try:
            yield temporary
            temporary.chmod(0o777 & ~_umask())
            _put_folder_in_place(temporary, path, last)
        finally:
            shutil.rmtree(temporary, ignore_errors=True)


def _new_folder(path: Path) -> Path:
    """A temporary folder beside ``path``, or in it where nothing can be made beside it."""
    with _cannot_write_in(path.parent):
        try:
            return Path(tempfile.mkdtemp(prefix=_prefix(path), suffix=".part", dir=path.parent))
        except OSError:
            if not path.is_dir():
                raise
        return Path(tempfile.mkdtemp(prefix=_prefix(path), suffix=".part", dir=path))


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
    shutil.rmtree(aside, ignore_errors=True)


def _exchange_content(made: Path, path: Path, last: str) -> None:
    # Hidden files say what the others are: of the old ones they go last, of the new ones they come first.
    for old in sorted(path.iterdir(), key=lambda entry: (entry.name != last, entry.name.startswith("."))):
        if not old.name.startswith(_prefix(path)):  # the new content, and the lock
            _remove(old)
    for new in sorted(made.iterdir(), key=lambda entry: (entry.name == last, not entry.name.startswith("."))):
        shutil.move(new, path / new.name)


def clear_leftovers(path: Path) -> None:
    """Remove what runs that were killed while they wrote ``path`` have left, beside it and in it."""
    for folder in (path.parent, path):
        for left in folder.glob(f"{glob.escape(_prefix(path))}????????.*"):
            if left.suffix in {".part", ".old"}:
                _remove(left)


def _remove(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path, ignore_errors=True)
    else:
        path.unlink(missing_ok=True)


def write_text(path: Path, text: str) -> None:
    """Write a text file whole: UTF-8, line ends as they are.

    Raises
    ------
    OutputError
    """
    with replacing(path) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")


def write_bytes(path: Path, content: bytes, *, is_forced: bool = False) -> None:
    """Write a file whole, as `replacing` does.

    Raises
    ------
    OutputError
    """
    with replacing(path, is_forced=is_forced) as temporary:
        temporary.write_bytes(content)


@contextlib.contextmanager
def _refusals(path: Path) -> Iterator[None]:
    try:
        yield
    except PermissionError as error:
        raise OutputError.at(
            str(path), "cannot be replaced", helps="close it in the program that has it open, and try again"
        ) from error
    except OSError as error:
        raise OutputError.at(str(path), f"cannot be written ({error.strerror or error})") from error


@contextlib.contextmanager
def _cannot_write_in(folder: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise OutputError.at(str(folder), f"cannot write here ({error.strerror or error})") from error


def _prefix(path: Path) -> str:
    return f".{path.name[:_MOST_OF_NAME]}."


def _force(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
