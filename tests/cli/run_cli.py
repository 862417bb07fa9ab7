"""Run the program as a shell does: in this process, on streams of bytes, or in one of its own.

A process takes half a second to start, so nearly all tests use `frametime`. What only a process has (signals, pipes
that close, what it imports, its exit code) is looked at through `COMMAND`.
"""

from __future__ import annotations

import contextlib
import io
import os
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from unittest import mock

from frametime.cli import run

COMMAND = [sys.executable, "-m", "frametime"]
PLAIN = {"NO_COLOR": "1", "COLUMNS": "80"}
"""The environment in which what is printed does not depend on who runs the tests."""


@dataclass(frozen=True)
class Done:
    """What a command printed, and its exit code; ``shown`` is both streams in the order of a terminal."""

    code: int
    out: str
    err: str
    shown: str


class _Stream(io.TextIOWrapper):
    """Text into bytes, as a process has it when it does not print to a terminal; each write goes to ``shown`` too."""

    def __init__(self, shown: io.BytesIO) -> None:
        self.bytes = io.BytesIO()
        self._shown = shown
        super().__init__(self.bytes, encoding="utf-8", errors="backslashreplace", newline="", write_through=True)

    def write(self, text: str, /) -> int:
        self._shown.write(text.encode("utf-8", "backslashreplace"))
        return super().write(text)

    def text(self) -> str:
        self.flush()
        return self.bytes.getvalue().decode("utf-8")


class Streams:
    """What stands for the three streams of a process."""

    def __init__(self, stdin: bytes = b"") -> None:
        self._shown = io.BytesIO()
        self.stdin = io.TextIOWrapper(io.BytesIO(stdin), encoding="utf-8")
        self.stdout, self.stderr = _Stream(self._shown), _Stream(self._shown)

    def done(self, code: int) -> Done:
        """What came of it."""
        return Done(code, self.stdout.text(), self.stderr.text(), self._shown.getvalue().decode("utf-8"))


@contextlib.contextmanager
def as_a_process(streams: Streams, cwd: Path | None = None) -> Iterator[None]:
    """Let this process look like a fresh one to what runs in it: streams, folder, environment, one core.

    With one core nothing is handed to other processes, which take longer to start than most tests to run; a number of
    workers that is asked for is heeded all the same.
    """
    with (
        contextlib.chdir(cwd or Path.cwd()),
        mock.patch.dict(os.environ, PLAIN),
        mock.patch.multiple(sys, stdin=streams.stdin, stdout=streams.stdout, stderr=streams.stderr),
        mock.patch.multiple(os, cpu_count=lambda: 1, sched_getaffinity=lambda _: {0}, create=True),
    ):
        yield


def frametime(*arguments: str | Path, stdin: bytes = b"", cwd: Path | None = None) -> Done:
    """Run ``frametime`` as a process would, without color; an error that it does not expect is raised here."""
    streams = Streams(stdin)
    with as_a_process(streams, cwd):
        try:
            code = run([str(argument) for argument in arguments])
        except SystemExit as end:
            code = end.code if isinstance(end.code, int) else 1
    return streams.done(code)
