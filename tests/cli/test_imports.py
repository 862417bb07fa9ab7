"""A command imports what it uses and nothing else: told by what is loaded at its end, not by the clock."""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
from pathlib import Path

HEAVY = ("pandas", "polars", "matplotlib", "scipy", "rich", "jinja2", "msgspec", "distributed")
UNUSED = ("frametime.adapters.sensors.sensor_log", "frametime.pipeline.measuring_many", "multiprocessing")

PROBE = """
import json, sys
from frametime.cli import run
for arguments in json.loads(sys.argv[1]):
    code = run(arguments)
    print(json.dumps([code, sorted(sys.modules)]), file=sys.stderr)
"""


def loaded_by(*commands: list[str]) -> list[set[str]]:
    """Modules that are loaded when each command ends, of several that run one after another in a fresh process."""
    done = subprocess.run(
        [sys.executable, "-c", PROBE, json.dumps(commands)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=True,
    )
    told = [json.loads(line) for line in done.stderr.splitlines() if line.startswith("[")]
    assert [code for code, _ in told] == [0] * len(commands), done.stderr
    return [set(modules) for _, modules in told]


def test_check_loads_click_numpy_and_pyarrow_only(tmp_path: Path) -> None:
    assert importlib.util.find_spec("pandas"), "pyarrow loads pandas where it is installed: the test needs it"
    log = tmp_path / "run.csv"
    log.write_text("elapsed_ms\n" + "".join(f"{10 * i + i % 3}\n" for i in range(2000)))
    extras = ([], ["--json"], ["--explain"], ["--refresh", "144"], ["--intervals"])
    for extra, loaded in zip(extras, loaded_by(*(["check", str(log), *extra] for extra in extras)), strict=True):
        assert {"numpy", "pyarrow"} <= loaded
        assert not loaded.intersection(HEAVY), extra
        # What reads sensor logs and what starts other processes: a log without sensors needs neither.
        assert not loaded.intersection(UNUSED), extra


def test_help_loads_click_only() -> None:
    [loaded] = loaded_by(["--help"])
    assert "click" in loaded
    assert not loaded.intersection((*HEAVY, "numpy", "pyarrow"))


def test_a_review_does_not_load_pandas(tmp_path: Path) -> None:
    assert importlib.util.find_spec("pandas"), "pyarrow loads pandas where it is installed: the test needs it"
    for card in ("ash", "elm"):
        folder = tmp_path / "captures" / card / "mill" / "1440p"
        folder.mkdir(parents=True)
        for run in (1, 2):
            (folder / f"run{run}.csv").write_text(f"frame_time_ms\n{run}0\n" + "10.1\n10.3\n" * 200)
    plan, quick = str(tmp_path / "plan.toml"), ["-q", "--workers", "1", "--no-charts", "--no-report"]
    _, loaded = loaded_by(
        ["plan", str(tmp_path / "captures"), "--out", plan],
        ["review", plan, *quick, "--out", str(tmp_path / "out")],
    )
    assert not loaded.intersection(("pandas", "matplotlib"))
