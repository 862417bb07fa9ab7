"""The program run from a process that has imported all it needs, for tests that run it many times."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

LIMIT_S = 120.0
SERVER = Path(__file__).with_name("warm_server.py")


class Server:
    """The warm process that runs the program; see ``warm_server.py``."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, str(SERVER)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def run(self, arguments: list[str], **how: Any) -> dict[str, Any]:
        """Run the program, killed or not; the answer has the exit code, the file events and the duration."""
        assert self._process.stdin is not None and self._process.stdout is not None
        # Only a fault makes a run last so long; then it is killed too, and its exit code tells.
        self._process.stdin.write(json.dumps({"arguments": arguments, "after_s": LIMIT_S, **how}) + "\n")
        self._process.stdin.flush()
        answer: dict[str, Any] = json.loads(self._process.stdout.readline())
        return answer

    def run_at_once(
        self, n_copies: int, arguments: list[str], *, folder: Path, **how: Any
    ) -> tuple[list[int], list[str]]:
        """Run the program in so many copies at the same moment: the exit code of each, and what each says is wrong."""
        answer = self.run(arguments, folder=str(folder), at_once=n_copies, **how)
        return answer["codes"], answer["errors"]

    def end(self) -> None:
        """Let the process end."""
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(LIMIT_S)
        self._process.stdout.close()
