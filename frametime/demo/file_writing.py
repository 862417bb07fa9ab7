"""Write many small files so that a stop in the middle leaves no half file, and nothing is lost by accident."""

from __future__ import annotations

import gzip
import io
from collections.abc import Mapping
from pathlib import Path

from frametime.replacing import claiming, write_bytes

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
    with claiming((folder / name for name in files), force=force, folder=folder):
        for name, content in files.items():
            write_bytes(folder / name, content)
