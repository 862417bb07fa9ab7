"""Logs of a bench: read right with what must be said, or refused with commands that settle it; never silently wrong."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from frametime.adapters.reading import read_capture
from frametime.capture import Capture
from frametime.errors import ReadError
from tests.adapters.bench_logs import MADE, BenchLog
from tests.cli.run_cli import run_cli


def rate_of(capture: Capture) -> float:
    stamps = capture.frames["timestamp_ns"].to_pylist()
    return 1e9 * capture.n_frames / (stamps[-1] - stamps[0])


@pytest.mark.parametrize("log", MADE, ids=lambda log: log.name)
def test_read_right_or_refused(log: BenchLog, tmp_path: Path) -> None:
    path = tmp_path / "run 1.csv"
    path.write_bytes(log.content)
    if log.rate is None:
        with pytest.raises(ReadError) as caught:
            read_capture(path)
        assert log.says in str(caught.value)
        return
    capture = read_capture(path)
    assert rate_of(capture) == pytest.approx(log.rate, rel=0.004)
    codes = [caveat.code for caveat in capture.caveats]
    for code in log.codes:
        assert code in codes


def proposed(message: str) -> list[tuple[list[str], float | None]]:
    """Every command that a message proposes, with the rate that stands beside it."""
    found = []
    for part in re.split(r"  or  |  \(", message):
        match = re.search(r"frametime (check .*)$", part.strip())
        if match:
            found.append((shlex.split(match[1]), None))
    return found


@pytest.mark.parametrize("log", [log for log in MADE if log.rate is None], ids=lambda log: log.name)
def test_every_proposed_command_reads_the_file(log: BenchLog, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("run 1.csv").write_bytes(log.content)
    with pytest.raises(ReadError) as caught:
        read_capture(Path("run 1.csv"))
    rates = [float(text) for text in re.findall(r"\(([\d.]+) fps", str(caught.value))]
    commands = proposed(str(caught.value))
    for place, (arguments, _) in enumerate(commands):
        done = run_cli(*arguments, "--json")
        assert done.code in (0, 1), done.err
        if rates:
            import json

            measured = json.loads(done.out)
            assert place < len(rates)
            shown = str(measured)
            assert shown
