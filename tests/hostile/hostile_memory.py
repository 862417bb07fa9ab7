"""How much memory a read takes, and what came of it: in a process of its own each, so that nothing else counts.

The processes are forked copies of one that has imported everything and done nothing else, so that none waits for
imports. Run as a program, this file is that process.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import traceback
from pathlib import Path


class MemoryMeter:
    """Reads logs in processes of their own, one after another; a context manager."""

    def __init__(self) -> None:
        self._server = subprocess.Popen(
            [sys.executable, __file__], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )

    def __enter__(self) -> MemoryMeter:
        return self

    def __exit__(self, *_: object) -> None:
        _, errors = self._server.communicate(timeout=60)  # it ends with its input
        assert errors == ""

    def peak_of(self, path: Path, **options: object) -> tuple[str, int]:
        """The error of a read (empty where there was none), and the bytes of memory it added at its peak."""
        assert self._server.stdin is not None and self._server.stdout is not None
        self._server.stdin.write(json.dumps([str(path), options]) + "\n")
        self._server.stdin.flush()
        answer = self._server.stdout.readline()
        assert answer, f"the read ended without an answer: {self._server.communicate(timeout=60)[1]}"
        said, added = json.loads(answer)
        assert "\n" not in said
        return said, added


def _read(path: str, options: dict[str, int]) -> None:
    """Read a log and print what came of it."""
    import resource

    from frametime.adapters.base import ReadOptions
    from frametime.adapters.reading import classify_file, read_capture
    from frametime.errors import FrametimeError

    unit = 1 if sys.platform == "darwin" else 1024
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit
    classify_file(path)
    try:
        read_capture(path, options=ReadOptions(**options))  # type: ignore[arg-type]
        said = ""
    except FrametimeError as error:
        said = str(error)
    print(json.dumps([said, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit - before]), flush=True)  # noqa: T201


def _serve() -> None:
    import pyarrow.compute
    import pyarrow.csv
    import pyarrow.parquet  # noqa: F401 - imported here, they are there in every copy

    import frametime.adapters.arrow_file
    import frametime.adapters.frame_log
    import frametime.adapters.reading  # noqa: F401

    for line in sys.stdin:
        path, options = json.loads(line)
        pid = os.fork()
        if pid == 0:
            try:
                _read(path, options)
            except BaseException:  # noqa: BLE001 - a copy must end here, whatever happens
                traceback.print_exc()
                os._exit(1)
            os._exit(0)
        if os.waitpid(pid, 0)[1] != 0:
            return


if __name__ == "__main__":
    _serve()
