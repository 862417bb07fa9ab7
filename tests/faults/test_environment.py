"""What surrounds the program is not as it should be: one line says so, or it does not matter."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from log_files import write_log
from option_logs import write_option_logs
from run_cli import COMMAND

linux = pytest.mark.skipif(sys.platform != "linux", reason="the limit on memory is set as Linux does")


@pytest.mark.parametrize(
    "line",
    [
        "check run.csv --plot out.png",
        "compare run.csv --out out --only percentiles",
        "review plan.toml --out out --only ratios --no-report --workers 1",
    ],
)
def test_a_drawing_backend_of_a_notebook_does_not_matter(line: str, tmp_path: Path) -> None:
    """A terminal in a notebook server hands it on, to environments in which it is not installed."""
    write_option_logs(tmp_path)
    environment = {**os.environ, "MPLBACKEND": "module://no_such_inline.backend_inline"}
    done = subprocess.run(
        [*COMMAND, *line.split()], cwd=tmp_path, env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert list(tmp_path.glob("out*"))


def run_within(mib: int, *arguments: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    """Run the program with so much address space and no more."""
    limited = "import os, resource, sys; n = int(sys.argv[1]) << 20; resource.setrlimit(resource.RLIMIT_AS, (n, n)); "
    limited += "os.execv(sys.executable, [sys.executable, *sys.argv[2:]])"
    command = [sys.executable, "-c", limited, str(mib), *COMMAND[1:], *arguments]
    return subprocess.run(command, cwd=cwd, capture_output=True, text=True, check=False, timeout=60)


@linux
@pytest.mark.parametrize("mib", [80, 120, 180, 250, 400])
def test_too_little_address_space_is_told_in_one_line(mib: int, tmp_path: Path) -> None:
    write_log(tmp_path / "run.csv", 9, 10, 11, times=100)
    done = run_within(mib, "check", "run.csv", cwd=tmp_path)
    assert (done.returncode, done.stdout) == (3, "")
    told = f"frametime: memory is limited to {mib} MiB (ulimit -v); 'check' needs 512 MiB of addresses or more\n"
    assert done.stderr == told


@linux
def test_a_table_of_captures_asks_for_more(tmp_path: Path) -> None:
    write_log(tmp_path / "run.csv", 9, 10, 11, times=100)
    assert run_within(1024, "check", "run.csv", cwd=tmp_path).returncode == 0
    done = run_within(1024, "batch", ".", "--out", "x.csv", cwd=tmp_path)
    assert done.returncode == 3 and done.stderr.count("\n") == 1
    assert "'batch' needs 4096 MiB" in done.stderr and not (tmp_path / "x.csv").exists()


@linux
def test_memory_that_ends_in_the_middle_is_told_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "run.csv").write_bytes(b"frame_time_ms\n" + b"9\n10\n11\n" * 8_000_000)
    done = run_within(640, "check", "run.csv", cwd=tmp_path)
    assert done.returncode == 3 and done.stderr.count("\n") == 1, done.stderr
    assert "memory" in done.stderr
