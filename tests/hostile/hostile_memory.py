"""How much memory a read takes, and what came of it: run in a process of its own, so that nothing else counts."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

_SCRIPT = """
import json, resource, sys
from frametime.adapters.base import ReadOptions
from frametime.adapters.reading import read_capture
from frametime.adapters.file_kind import classify_file
from frametime.errors import FrametimeError
import pyarrow, pyarrow.csv, pyarrow.parquet
unit = 1 if sys.platform == "darwin" else 1024
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit
classify_file(sys.argv[1])
if room := int(sys.argv[3]):
    with open("/proc/self/statm") as pages:
        held = int(pages.read().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (held + room, held + room))
try:
    read_capture(sys.argv[1], options=ReadOptions(**json.loads(sys.argv[2])))
    said = ""
except FrametimeError as error:
    said = str(error)
print(json.dumps([said, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit - before]))
"""


def peak_of(path: Path, *, room_bytes: int = 0, **options: object) -> tuple[str, int]:
    """The error of a read (empty where there was none), and the bytes of memory it added at its peak.

    With ``room_bytes`` the system gives it so much more address space and no more (on Linux).
    """
    done = subprocess.run(
        [sys.executable, "-c", _SCRIPT, str(path), json.dumps(options), str(room_bytes)],
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    said, added = json.loads(done.stdout)
    assert "\n" not in said
    return said, added
