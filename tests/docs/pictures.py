"""The pictures of docs, drawn by the program itself. Run this file to draw them anew."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Final

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "docs" / "pictures"
sys.path.insert(0, str(ROOT / "tests" / "cli"))  # run as a program, it has not the paths of the tests

from run_cli import frametime  # noqa: E402

_REVIEW: Final = "reference_logs/review"

COMMANDS: Final = {
    "frame-times": f"check -q {_REVIEW}/captures/brae-41/orchard/1440p/run2.csv.gz --plot OUT/frame-times.png",
    "standings-all": f"review {_REVIEW}/plan.toml --only standings --no-report -q --out OUT/result",
    "tuning-map": f"tune show {_REVIEW}/tuning/tuning.toml --only tuning-map --charts OUT",
}
"""Name of a picture, and what draws it; ``OUT`` stands for a folder to write to."""


def draw(name: str, out: Path) -> Path:
    """Draw one picture somewhere below ``out``."""
    done = frametime(*(word.replace("OUT", str(out)) for word in COMMANDS[name].split()), cwd=ROOT)
    assert done.code == 0, done.err
    return next(out.rglob(f"{name}.png"))


if __name__ == "__main__":
    for each in sys.argv[1:] or COMMANDS:
        with tempfile.TemporaryDirectory() as folder:
            (FOLDER / f"{each}.png").write_bytes(draw(each, Path(folder)).read_bytes())
