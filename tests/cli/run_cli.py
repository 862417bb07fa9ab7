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


@contextlib.contextmanager
def _streams(stdin: bytes, out: _Stream, err: _Stream) -> Iterator[None]:
    """Put the streams of the program in the place of those of the tests."""
    given = io.TextIOWrapper(io.BytesIO(stdin), encoding="utf-8")
    with mock.patch.multiple(sys, stdin=given, stdout=out, stderr=err):
        yield


def frametime(*arguments: str | Path, stdin: bytes | None = None, cwd: Path | None = None) -> Done:
    """Run ``frametime`` as a process would, without color; an error that it does not expect is raised here."""
    shown = io.BytesIO()
    out, err = _Stream(shown), _Stream(shown)
    with (
        contextlib.chdir(cwd or Path.cwd()),
        mock.patch.dict(os.environ, PLAIN),
        _streams(stdin or b"", out, err),
    ):
        try:
            code = run([str(argument) for argument in arguments])
        except SystemExit as end:
            code = end.code if isinstance(end.code, int) else 1
    return Done(code, out.text(), err.text(), shown.getvalue().decode("utf-8"))
