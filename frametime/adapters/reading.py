"""From a file to a capture: choose the adapter, parse, check, and say where it all came from."""

from __future__ import annotations

import os
from typing import BinaryIO

from frametime.adapters.base import ReadOptions
from frametime.capture import Capture, Conditions

_DEFAULT_OPTIONS = ReadOptions()
_NO_CONDITIONS = Conditions()


def read_capture(
    source: str | os.PathLike[str] | BinaryIO,
    *,
    options: ReadOptions = _DEFAULT_OPTIONS,
    conditions: Conditions = _NO_CONDITIONS,
    use_threads: bool = True,
) -> Capture:
    """Read one frame log.

    Parameters
    ----------
    source : path, '-' or binary stream
        The log; ``-`` is standard input.
    options : ReadOptions
    conditions : Conditions
        Under which the run was made, as far as known.
    use_threads : bool
        Let the text reader use several cores. A batch that reads several logs at once sets it to False.
    """
    raise NotImplementedError
