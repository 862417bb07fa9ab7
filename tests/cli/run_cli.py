"""Run the program as a shell does."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Done:
    """What a command printed, and its exit code."""

    code: int
    out: str
    err: str


def frametime(*arguments: str | Path, stdin: bytes | None = None, cwd: Path | None = None) -> Done:
    """Run ``frametime`` in a process of its own, without color."""
    done = subprocess.run(
        [sys.executable, "-m", "frametime", *map(str, arguments)],
        input=stdin if stdin is not None else b"",
        capture_output=True,
        cwd=cwd,
        env={**os.environ, "NO_COLOR": "1", "COLUMNS": "80"},
        check=False,
    )
    return Done(done.returncode, done.stdout.decode("utf-8"), done.stderr.decode("utf-8"))
