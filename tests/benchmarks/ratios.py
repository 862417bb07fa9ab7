"""Timing side by side: the best of several, in one run, as a ratio."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Ratio:
    """One ratio: what is compared, the greatest (or least) value allowed, and what was measured."""

    name: str
    limit: float
    measured: float
    detail: str
    at_least: bool = False

    @property
    def met(self) -> bool:
        """Whether the ratio keeps its limit."""
        return self.measured >= self.limit if self.at_least else self.measured <= self.limit


def best_of(count: int, *jobs: Callable[[], object]) -> list[float]:
    """Least seconds of each job; the jobs take turns, so that a slow spell of the machine meets all of them."""
    best = [float("inf")] * len(jobs)
    for _ in range(count):
        for index, job in enumerate(jobs):
            start = time.perf_counter()
            job()
            best[index] = min(best[index], time.perf_counter() - start)
    return best


def python(*arguments: str) -> Callable[[], object]:
    """A job that runs this Python in a process of its own, with compiled modules as any user has them."""
    environment = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
    return lambda: subprocess.run([sys.executable, *arguments], check=True, capture_output=True, env=environment)


_PEAK = """
import resource, subprocess, sys
done = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL)
print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss * 1024)
sys.exit(done.returncode)
"""


def peak_bytes(*arguments: str) -> int:
    """Greatest resident memory of a process of this Python, in bytes."""
    done = subprocess.run(
        [sys.executable, "-c", _PEAK, sys.executable, *arguments], check=True, capture_output=True, text=True
    )
    return int(done.stdout)


def n_cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
