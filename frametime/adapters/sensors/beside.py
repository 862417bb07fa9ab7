"""The sensor log that lies beside a capture under its name: ``lake_1.csv`` and ``lake_1_sensors.csv``."""

from __future__ import annotations

import os
import re
from bisect import bisect_left
from functools import lru_cache
from pathlib import Path
from typing import Final

from frametime.adapters.capture_start import LOG_ENDINGS, without_endings

_ADDED: Final = r"[-_. ]+[^\W\d_]+(?:[-_. ][^\W\d_]+)*"
"""What such a name adds: words without a digit, which could be the number of another run."""


def sensor_log_beside(capture: str | os.PathLike[str]) -> Path | None:
    """The one sensor log that has the name of the capture and a word more; ``None`` where there is none, or several.

    That it is a sensor log is seen by its content.
    """
    path = Path(capture)
    stem = without_endings(path).name
    if not stem or os.fspath(capture) == "-":
        return None
    folder = path.parent
    try:
        names = _names_in(folder, folder.stat().st_mtime_ns)
    except OSError:
        return None
    found = []
    for name in names[bisect_left(names, stem) :]:
        if not name.startswith(stem):
            break
        bare = without_endings(Path(name)).name
        if (
            name != path.name
            and Path(name).suffix.casefold() in LOG_ENDINGS
            and re.fullmatch(_ADDED, bare[len(stem) :])
        ):
            found.append(folder / name)
    if not found:
        return None
    from frametime.adapters.file_kind import classify_file

    found = [path for path in found if classify_file(path).kind == "sensors"]
    return found[0] if len(found) == 1 else None


@lru_cache(maxsize=64)
def _names_in(folder: Path, changed_ns: int) -> tuple[str, ...]:
    """Names in a folder, sorted; a folder that has changed since is listed again."""
    return tuple(sorted(entry.name for entry in os.scandir(folder)))
