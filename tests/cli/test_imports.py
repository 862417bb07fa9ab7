"""A command imports what it uses and nothing else: told by what is loaded at its end, not by the clock."""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
from pathlib import Path

HEAVY = ("pandas", "polars", "matplotlib", "scipy", "rich", "jinja2", "msgspec", "watchfiles", "distributed")

PROBE = """
import json, os, sys
from frametime.cli import main
os._exit = sys.exit  # A quick check ends the process without taking the libraries down.
sys.argv = ["frametime", *sys.argv[1:]]
try:
    main()
except SystemExit as end:
    code = end.code
print(json.dumps([code, sorted(sys.modules)]), file=sys.stderr)
"""


def loaded_by(*arguments: str) -> set[str]:
    """Modules that are loaded when the command ends."""
    done = subprocess.run(
        [sys.executable, "-c", PROBE, *arguments], capture_output=True, text=True, encoding="utf-8", check=True
    )
    code, modules = json.loads(done.stderr.splitlines()[-1])
    assert code == 0, done.stderr
    return set(modules)


def test_check_loads_click_numpy_and_pyarrow_only(tmp_path: Path) -> None:
    assert importlib.util.find_spec("pandas"), "pyarrow loads pandas where it is installed: the test needs it"
    log = tmp_path / "run.csv"
    log.write_text("elapsed_ms\n" + "".join(f"{10 * i + i % 3}\n" for i in range(2000)))
    for extra in ([], ["--json"], ["--explain"], ["--refresh", "144"], ["--intervals"]):
        loaded = loaded_by("check", str(log), *extra)
        assert {"numpy", "pyarrow"} <= loaded
        assert not loaded.intersection(HEAVY), extra


def test_help_loads_click_only() -> None:
    loaded = loaded_by("--help")
    assert "click" in loaded
    assert not loaded.intersection((*HEAVY, "numpy", "pyarrow"))
