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
            # From 3.12 on Python warns of copies of a process with threads; those of the libraries are asleep here.
            [sys.executable, "-W", "ignore::DeprecationWarning", __file__],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def __enter__(self) -> MemoryMeter:
        return self

    def __exit__(self, *_: object) -> None:
        _, errors = self._server.communicate(timeout=60)  # it ends with its input
        assert errors == "", errors

    def peak_of(
        self, path: Path, *, room_bytes: int = 0, sensors: Path | None = None, measured: bool = False, **options: object
    ) -> tuple[str, int]:
        """The error of a read (empty where there was none), and the bytes of memory it added at its peak.

        With ``room_bytes`` the system gives it so much more address space and no more (on Linux). A log of ``sensors``
        is attached where one is given, and the run ``measured`` where that is asked for.
        """
        assert self._server.stdin is not None and self._server.stdout is not None
        self._server.stdin.write(json.dumps([str(path), room_bytes, str(sensors or ""), measured, options]) + "\n")
        self._server.stdin.flush()
        answer = self._server.stdout.readline()
        assert answer, f"the read ended without an answer: {self._server.communicate(timeout=60)[1]}"
        said, added = json.loads(answer)
        assert "\n" not in said
        return said, added


def _read(path: str, room_bytes: int, sensors: str, measured: bool, options: dict[str, int]) -> None:
    """Read a log, measure it where that is asked for, and print what came of it."""
    import resource

    from frametime.adapters.base import ReadOptions
    from frametime.adapters.file_kind import classify_file
    from frametime.adapters.reading import read_capture
    from frametime.adapters.sensors.sensor_log import SensorOptions
    from frametime.adapters.sensors.sensor_trace import attach_sensors
    from frametime.errors import FrametimeError
    from frametime.metrics.measure import measure

    unit = 1 if sys.platform == "darwin" else 1024
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit
    classify_file(path)
    if room_bytes:
        held = int(Path("/proc/self/statm").read_text("ascii").split()[0]) * resource.getpagesize()
        resource.setrlimit(resource.RLIMIT_AS, (held + room_bytes, held + room_bytes))
    try:
        capture = read_capture(path, options=ReadOptions(**options))  # type: ignore[arg-type]
        if sensors:
            capture = attach_sensors(capture, sensors, options=SensorOptions(offset_s=0.0))
        if measured:
            measure(capture)
        said = ""
    except FrametimeError as error:
        said = str(error)
    print(json.dumps([said, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit - before]), flush=True)  # noqa: T201


def _serve() -> None:
    import numpy.fft  # noqa: F401 - as all of these, imported here it is there in every copy
    import pyarrow.compute
    import pyarrow.csv
    import pyarrow.parquet  # noqa: F401

    import frametime.adapters.arrow.arrow_file
    import frametime.adapters.frames.frame_log
    import frametime.adapters.reading
    import frametime.adapters.sensors.sensor_trace
    import frametime.metrics.curves
    import frametime.metrics.measure  # noqa: F401

    for line in sys.stdin:
        asked = json.loads(line)
        pid = os.fork()
        if pid == 0:
            try:
                _read(*asked)
            except BaseException:  # noqa: BLE001 - a copy must end here, whatever happens
                traceback.print_exc()
                os._exit(1)
            os._exit(0)
        if os.waitpid(pid, 0)[1] != 0:
            return


if __name__ == "__main__":
    _serve()
