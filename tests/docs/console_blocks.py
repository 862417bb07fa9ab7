"""The ``console`` blocks of README and docs: run each command as a user would, compare or rewrite what is printed.

A block looks like this, and several commands may stand in one::

    ```console
    $ frametime check reference_logs/run1.csv
    what the program prints
    ```

The commands of a file run one after another in one fresh folder that holds a copy of ``reference_logs`` and of
``docs``. A line ``[...]`` stands for any number of lines, ``[exit 5]`` as the last line for an exit code that is not
0. ``python tests/docs/console_blocks.py`` rewrites the blocks with what the program prints now, and leaves out what
stood for ``[...]`` where the lines around it are still printed.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests" / "cli"))  # run as a program, it has not the paths of the tests

from run_cli import PLAIN, Done, frametime  # noqa: E402

_BLOCK = re.compile(r"^```console\n(.*?)^```$", re.DOTALL | re.MULTILINE)
ANYTHING = "[...]"


@dataclass(frozen=True)
class Step:
    """One command of a block and the output that stands below it."""

    command: str
    expected: str


def pages() -> list[Path]:
    """README, DEVELOPERS and every page of docs that holds a console block."""
    found = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))]
    return [page for page in found if page.exists() and _BLOCK.search(page.read_text("utf-8"))]


def steps_of(block: str) -> list[Step]:
    """The commands of one block."""
    steps: list[Step] = []
    for part in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
        command, _, expected = part.partition("\n")
        while command.endswith("\\"):
            more, _, expected = expected.partition("\n")
            command = command[:-1].rstrip() + " " + more.lstrip("> ").strip()
        steps.append(Step(command, expected))
    return steps


def make_folder(folder: Path) -> None:
    """What the commands of a page find in their folder."""
    shutil.copytree(ROOT / "reference_logs", folder / "reference_logs")
    shutil.copytree(ROOT / "docs", folder / "docs")


def make_old(folder: Path) -> None:
    """Give all captures one time of last change: a run may rest on it, and equal ones are measured once for all pages.

    That of a copy is the time of the checkout, that of ``frametime demo`` is now.
    """
    for path in folder.rglob("*.csv.gz"):
        os.utime(path, (1_700_000_000, 1_700_000_000))


def run(command: str, folder: Path) -> str:
    """What a terminal shows for a command: output, then messages, then the exit code where it is not 0."""
    words = shlex.split(command)
    done = frametime(*words[1:], cwd=folder) if words[0] == "frametime" else _in_bash(command, folder)
    shown = done.out + done.err
    if shown and not shown.endswith("\n"):
        shown += "\n"
    return shown + (f"[exit {done.code}]\n" if done.code else "")


def _in_bash(command: str, folder: Path) -> Done:
    path = os.pathsep.join([str(Path(sys.executable).parent), os.environ.get("PATH", os.defpath)])
    done = subprocess.run(
        ["bash", "-c", command],
        cwd=folder,
        env={**os.environ, **PLAIN, "LC_ALL": "C.UTF-8", "PATH": path},
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    return Done(done.returncode, done.stdout, done.stderr, done.stdout + done.stderr)


def matches(expected: str, shown: str) -> bool:
    """Whether the output is the one that stands in the page."""
    pattern = ".*".join(
        re.escape(part) for part in re.split(rf"^{re.escape(ANYTHING)}\n", expected, flags=re.MULTILINE)
    )
    return re.fullmatch(pattern, shown, re.DOTALL) is not None


def elided(expected: str, shown: str) -> str:
    """``shown`` with ``[...]`` between the same two lines as in ``expected``; whole where a line is gone."""
    before, mark, after = expected.partition(f"{ANYTHING}\n")
    if not mark:
        return shown
    above, below = before.splitlines()[-1:], after.splitlines()[:1]
    lines = shown.splitlines(keepends=True)
    plain = shown.splitlines()
    if not set(above + below) <= set(plain):
        return shown
    start = plain.index(above[0]) + 1 if above else 0
    stop = next((at for at in range(start, len(plain)) if plain[at] == below[0]), None) if below else len(plain)
    if stop is None:
        return shown
    return "".join(lines[:start]) + mark + elided(after, "".join(lines[stop:]))


def rewrite(page: Path) -> None:
    """Put what the program prints now into the blocks of a page, where it does not match."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make_folder(folder)

        def renew(found: re.Match[str]) -> str:
            renewed = []
            block = found[1]
            for step in steps_of(block):
                shown = run(step.command, folder)
                kept = step.expected if matches(step.expected, shown) else elided(step.expected, shown)
                renewed.append(f"$ {step.command}\n{kept}")
            return "```console\n" + "".join(renewed) + "```"

        page.write_text(_BLOCK.sub(renew, page.read_text("utf-8")), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    for each in [Path(name).resolve() for name in sys.argv[1:]] or pages():
        rewrite(each)
