"""Write many small files so that a stop in the middle leaves no half file, and nothing is lost by accident."""

from __future__ import annotations

import gzip
import io
import os
from collections.abc import Mapping
from pathlib import Path

from frametime.errors import OutputError

GZIP_LEVEL = 9


def gzip_bytes(content: bytes) -> bytes:
    """``content`` in gzip, without file name or time, so that equal content gives equal bytes.

    The compressed bytes depend on the compression library that Python is linked to; the content does not.

    Examples
    --------
    >>> gzip.decompress(gzip_bytes(b"8000")), gzip_bytes(b"8000") == gzip_bytes(b"8000")
    (b'8000', True)
    """
    stored = io.BytesIO()
    with gzip.GzipFile(filename="", mode="wb", compresslevel=GZIP_LEVEL, fileobj=stored, mtime=0) as stream:
        stream.write(content)
    return stored.getvalue()


def write_files(folder: Path, files: Mapping[str, bytes], *, force: bool) -> None:
    """Write ``files`` (path below the folder, with ``/``, to content) into ``folder``.

    Each is written under a temporary name in its own folder and then renamed. Nothing at all is written when
    one of them is there already, unless ``force`` is given. Other files in the folder are left alone.

    Raises
    ------
    OutputError
        If a file is there already and ``force`` is not given, or the folder cannot be written.
    """
    present = [name for name in files if (folder / name).exists()]
    if present and not force:
        found = f"the file and {len(present) - 1} more exist" if len(present) > 1 else "the file exists"
        raise OutputError.at(
            str(folder / present[0]),
            f"{found} already, nothing was written",
            helps="give --force to overwrite, or another folder",
        )
    for name, content in files.items():
        try:
            _write_whole(folder / name, content)
        except OSError as error:
            raise OutputError.at(
                str(folder / name), f"cannot be written ({error.strerror})", helps="choose a folder that can be written"
            ) from error


def _write_whole(path: Path, content: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    partial = path.with_name(f".{path.name}.{os.getpid()}.partial")
    try:
        partial.write_bytes(content)
        partial.replace(path)
    finally:
        partial.unlink(missing_ok=True)
