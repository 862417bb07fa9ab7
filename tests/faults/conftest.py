"""The captures that the tests of faults measure."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path

import pytest
from run_cli import frametime
from warm_runs import Server


@pytest.fixture(scope="session")
def small_review(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """14 captures of 300 frames, which is enough for workers to be started, and their plan; names in several scripts.

    Tests only read here; those that change something copy the folder first.
    """
    folder = tmp_path_factory.mktemp("bench")
    for card, frame_time_ms in (("amber-6", 8.0), ("bäume 9", 7.0)):
        for run in range(1, 8):
            rng = random.Random(f"{card} {run}")
            times_ms = (frame_time_ms * rng.lognormvariate(0.0, 0.05) for _ in range(300))
            path = folder / "captures" / card / "港 häfen" / "1440p" / f"run{run}.csv"
            path.parent.mkdir(parents=True, exist_ok=True)
            text = "Frame time (µs)\n" + "".join(f"{1000 * t:.1f}\n" for t in times_ms)
            path.write_text(text, encoding="utf-8")
    assert frametime("plan", "captures", "--out", "plan.toml", cwd=folder).code == 0
    return folder


@pytest.fixture(scope="module")
def server() -> Iterator[Server]:
    server = Server()
    yield server
    server.end()
