"""Logs of a bench: read right with what must be said, or refused with commands that settle it; never silently wrong."""

from __future__ import annotations

import io
import json
import re
import shlex
from pathlib import Path

import pytest

from frametime.adapters.reading import read_capture
from frametime.capture import Capture
from frametime.errors import ReadError
from tests.adapters.bench_logs import MADE, BenchLog
from tests.cli.run_cli import frametime


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


PROPOSAL = re.compile(r"frametime (check .*?)(?:  \(([\d.e+]+) fps on average\))?(?:  or  |$)")


@pytest.mark.parametrize("log", [log for log in MADE if log.rate is None], ids=lambda log: log.name)
def test_every_proposed_command_reads_the_file(log: BenchLog, tmp_path: Path) -> None:
    """A command that a refusal prints is run as it stands there, and gives the rate beside it."""
    (tmp_path / "run 1.csv").write_bytes(log.content)
    done = frametime("check", "run 1.csv", cwd=tmp_path)
    assert done.code == 3
    for command, rate in PROPOSAL.findall(done.err.strip()):
        read = frametime(*shlex.split(command), "--json", cwd=tmp_path)
        assert read.code in (0, 1), read.err
        if rate:
            measured = json.loads(read.out)["metrics"]["average_fps"]["value"]
            assert measured == pytest.approx(float(rate), rel=0.1)


def test_refusals_propose_something() -> None:
    """Else the test above could not fail."""
    proposing = 0
    for log in MADE:
        if log.rate is None:
            with pytest.raises(ReadError) as caught:
                read_capture(io.BytesIO(log.content))
            proposing += bool(PROPOSAL.search(str(caught.value)))
    assert proposing > 30
