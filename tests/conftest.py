"""What every test needs of property tests, and of the processes that it starts.

The program starts no process by itself in a test: it sees one core. A number of workers that is asked for is heeded.

No time limit: a loaded machine is no fault of the code. The same examples in every run, so that a change is judged by
itself; ``pytest --hypothesis-profile=search`` draws others each time and looks for what no run has found yet.
"""

import os
import sys
from collections.abc import Iterator
from pathlib import Path
from unittest import mock

import pytest

if sys.dont_write_bytecode:
    # Hundreds of processes import the package. Where nothing may be kept beside the sources, each would compile all of
    # it, which takes longer than most of them run: what is compiled is kept in the cache of pytest.
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    sys.dont_write_bytecode = False
    sys.pycache_prefix = os.environ["PYTHONPYCACHEPREFIX"] = str(
        Path(__file__).parents[1] / ".pytest_cache" / "compiled"
    )

from hypothesis import settings

settings.register_profile("frametime", deadline=None, derandomize=True)
settings.register_profile("search", deadline=None)
settings.load_profile("frametime")


@pytest.fixture(scope="session", autouse=True)
def _one_core() -> Iterator[None]:
    """Starting processes takes longer than what most tests would hand to them, and the tests fill all cores already."""
    with mock.patch.multiple(os, cpu_count=lambda: 1, sched_getaffinity=lambda _: {0}, create=True):
        yield


@pytest.fixture(scope="module")
def same_bytes_are_measured_once(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """In this process the same log with the same parameters is measured once for all modules that ask for this.

    For tests of what is done with runs that are measured: many of them read the recorded captures.
    """
    from once_a_run import measured_once, read_once

    from frametime.pipeline import measuring_many, tuning_record

    with (
        mock.patch.object(measuring_many, "measure_one", measured_once(tmp_path_factory)),
        mock.patch.object(tuning_record, "measure_file", read_once),
    ):
        yield
