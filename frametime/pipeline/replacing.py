"""Files and folders that are put in place whole: made under a temporary name beside their own, then renamed."""

from __future__ import annotations

import contextlib
import glob
import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

from frametime.errors import OutputError


@contextlib.contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """A temporary name beside ``path`` that takes its place when the block ends well, and goes away when not.

    Raises
    ------
    OutputError
        If the folder cannot be written or the file cannot be replaced.
    """
    with _refusals(path):
        with _cannot_write_in(path.parent):
            handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
        os.close(handle)
        temporary = Path(name)
        try:
            yield temporary
            # A temporary file is private; the result gets the rights of any new file.
            temporary.chmod(0o666 & ~_umask())
            temporary.replace(path)
        finally:
            temporary.unlink(missing_ok=True)


@contextlib.contextmanager
def replacing_folder(path: Path) -> Iterator[Path]:
    """A temporary folder beside ``path`` that takes its place, or that of the folder there, as in `replacing`.

    Raises
    ------
    OutputError
        If the folder above cannot be written or the folder cannot be replaced.
    """
    with _refusals(path):
        with _cannot_write_in(path.parent):
            temporary = Path(tempfile.mkdtemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent))
        try:
            yield temporary
            temporary.chmod(0o777 & ~_umask())
            _put_folder_in_place(temporary, path)
        finally:
            shutil.rmtree(temporary, ignore_errors=True)


def _put_folder_in_place(made: Path, path: Path) -> None:
    # A folder that holds something cannot be replaced by one rename: the old one steps aside for a moment.
    aside = made.with_suffix(".old")
    try:
        path.rename(aside)
    except FileNotFoundError:
        made.rename(path)
        return
    try:
        made.rename(path)
    except OSError:
        aside.rename(path)
        raise
    shutil.rmtree(aside, ignore_errors=True)


def clear_leftovers(path: Path) -> None:
    """Remove what a run that was killed while it wrote ``path`` has left."""
    for left in path.parent.glob(f".{glob.escape(path.name)}.????????.*"):
        if left.suffix not in {".part", ".old"}:
            continue
        if left.is_dir() and not left.is_symlink():
            shutil.rmtree(left, ignore_errors=True)
        else:
            left.unlink(missing_ok=True)


def write_text(path: Path, text: str) -> None:
    """Write a text file whole: UTF-8, line ends as they are.

    Raises
    ------
    OutputError
    """
    with replacing(path) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")


@contextlib.contextmanager
def _refusals(path: Path) -> Iterator[None]:
    try:
        yield
    except PermissionError as error:
        raise OutputError.at(
            str(path), "cannot be replaced", helps="close it in the program that has it open, and try again"
        ) from error
    except OSError as error:
        raise OutputError.at(str(path), f"cannot be written ({error.strerror})") from error


@contextlib.contextmanager
def _cannot_write_in(folder: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise OutputError.at(str(folder), f"cannot write here ({error.strerror})") from error


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
