"""Many small captures in one batch: memory at 20 000 against memory at 1 000, of the parent and of its workers."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

from made_files import frame_times_us  # noqa: E402
from ratios import Ratio  # noqa: E402

COUNTS = (1_000, 5_000, 20_000)
PATTERN = "{card}/{scene}/run{run}.csv"
_DISTINCT = 40
_POLL_S = 0.1


def _write_many(folder: Path, n_files: int) -> Path:
    """``n_files`` captures of 60 to 180 frames, links to a few that differ; each is read as a file of its own."""
    sources = []
    for number in range(_DISTINCT):
        source = folder / f"source{number}.csv"
        times_ms = frame_times_us(60 + 3 * number, number) / 1000.0
        source.write_text("frame_time_ms\n" + "".join(f"{time_ms:.3f}\n" for time_ms in times_ms), encoding="utf-8")
        sources.append(source)
    captures = folder / f"small-{n_files}"
    for number in range(n_files):
        cell, run = divmod(number, 10)
        log = captures / f"card{cell % 20:02d}" / f"scene{cell // 20:03d}" / f"run{run}.csv"
        log.parent.mkdir(parents=True, exist_ok=True)
        if not log.exists():
            os.link(sources[number % _DISTINCT], log)
    return captures


def _peaks(*arguments: str) -> tuple[int, int]:
    """Greatest resident bytes of a command's own process, and of the largest of its workers."""
    with subprocess.Popen([sys.executable, "-m", "frametime", *arguments], stderr=subprocess.DEVNULL) as process:
        peaks: dict[int, int] = {}
        while process.poll() is None:
            for pid in (process.pid, *_children(process.pid)):
                peaks[pid] = max(peaks.get(pid, 0), _peak_of(pid))
            time.sleep(_POLL_S)
    if process.returncode:
        raise subprocess.CalledProcessError(process.returncode, process.args)
    return peaks.pop(process.pid), max(peaks.values(), default=0)


def _children(pid: int) -> list[int]:
    try:
        threads = list(Path(f"/proc/{pid}/task").iterdir())
        return [int(child) for thread in threads for child in (thread / "children").read_text().split()]
    except OSError:  # it has just ended
        return []


def _peak_of(pid: int) -> int:
    """The kernel's own record of the most that a process ever had in memory."""
    try:
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    except OSError:
        return 0
    return next((int(line.split()[1]) * 1024 for line in lines if line.startswith("VmHWM")), 0)


def memory(folder: Path) -> list[Ratio]:
    """Peak memory of one batch at each count, with one worker and two, for a table and for a folder of tables."""
    if not Path("/proc/self/status").exists():
        return []  # only Linux tells the peak of a process that still runs
    ratios = []
    for workers, extra in ((1, ()), (2, ()), (2, ("--partition-by", "card,scene"))):
        found = []
        for count in COUNTS:
            captures = _write_many(folder, count)
            out = folder / ("parted" if extra else "runs.csv")
            common = ("batch", str(captures), "--out", str(out), "--force", "-q", "--path-pattern", PATTERN)
            found.append(_peaks(*common, "--workers", str(workers), *extra))
        (parent_few, worker_few), (parent_many, worker_many) = found[0], found[-1]
        name = (
            f"batch{' in parts' if extra else ''}, {workers} worker{'s' * (workers > 1)}: memory of 20 000 / of 1 000"
        )
        listed = ", ".join(f"{parent / 1e6:.0f} + {worker / 1e6:.0f} MB" for parent, worker in found)
        ratio = max(parent_many / parent_few, worker_many / worker_few if worker_few else 0.0)
        ratios.append(Ratio(name, 1.2, ratio, f"parent + one worker at {', '.join(map(str, COUNTS))}: {listed}"))
    return ratios


BENCHMARKS = (memory,)
