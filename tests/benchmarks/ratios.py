"""Timing side by side: the best of several, in one run, as a ratio."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple


@dataclass(frozen=True)
class Ratio:
    """One ratio: what is compared, the greatest (or least) value allowed, and what was measured.

    Ratios of one name and one limit share a row of the table; ``case`` tells them apart in it.
    """

    name: str
    limit: float
    measured: float
    detail: str
    case: str = ""
    at_least: bool = False

    @property
    def met(self) -> bool:
        """Whether the ratio keeps its limit."""
        return self.measured >= self.limit if self.at_least else self.measured <= self.limit


class Seconds(NamedTuple):
    """How long a job took by the clock, and of processors, those of its child processes included."""

    wall: float
    processor: float


def _now() -> Seconds:
    of_children = os.times()  # in hundredths of a second, which is fine enough for a process
    own = time.process_time()
    return Seconds(time.perf_counter(), own + of_children.children_user + of_children.children_system)


def best_of_both(count: int, *jobs: Callable[[], object]) -> list[Seconds]:
    """Least seconds of each job; the jobs take turns, so that a slow spell of the machine meets all of them.

    Where other programs share the cores, the seconds of processors say more of jobs that run on one core.
    """
    best = [Seconds(float("inf"), float("inf"))] * len(jobs)
    for _ in range(count):
        for index, job in enumerate(jobs):
            start = _now()
            job()
            spent = (after - before for before, after in zip(start, _now(), strict=True))
            best[index] = Seconds(*map(min, best[index], spent))
    return best


def best_of(count: int, *jobs: Callable[[], object]) -> list[float]:
    """The same, by the clock alone."""
    return [each.wall for each in best_of_both(count, *jobs)]


def best_processor_of(count: int, *jobs: Callable[[], object]) -> list[float]:
    """The same, in seconds of processors."""
    return [each.processor for each in best_of_both(count, *jobs)]


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
