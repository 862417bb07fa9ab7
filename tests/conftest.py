"""What every test needs of property tests, and of the processes that it starts.

The program starts no process by itself in a test: it sees one core. A number of workers that is asked for is heeded.

No time limit: a loaded machine is no fault of the code. The same examples in every run, so that a change is judged by
itself; ``pytest --hypothesis-profile=search`` draws others each time and looks for what no run has found yet.
"""

import gc
import os
import shutil
import sys
from collections.abc import Generator, Iterator
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

# Tests write and remove tens of thousands of small files, which takes a disk longer than memory. They need a tenth of
# the room that is asked for; a test that fails leaves its folder.
if os.access("/dev/shm", os.W_OK) and shutil.disk_usage("/dev/shm").free > 4 << 30:
    os.environ.setdefault("PYTEST_DEBUG_TEMPROOT", "/dev/shm")

# Threads that wait for the next product of two arrays do so at full speed, on cores that other tests need. numpy looks
# at this once, when it is imported.
os.environ["OPENBLAS_NUM_THREADS"] = "1"

from hypothesis import is_hypothesis_test, settings

settings.register_profile("frametime", deadline=None, derandomize=True)
settings.register_profile("search", deadline=None)
settings.load_profile("frametime")

_FEWEST_EXAMPLES = 25


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """A law of random examples is looked at in a quarter of them by the usual tests, in all by the slow ones."""
    is_slow = metafunc.definition.get_closest_marker("slow") is not None
    if _examples_of(metafunc.function) > _FEWEST_EXAMPLES and not is_slow:
        metafunc.fixturenames.append("examples")
        metafunc.parametrize("examples", ["few", pytest.param("all", marks=pytest.mark.slow)])


@pytest.hookimpl(wrapper=True)
def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> Generator[None, object, object]:
    callspec = getattr(pyfuncitem, "callspec", None)
    if callspec is None or callspec.params.get("examples") != "few":
        return (yield)
    law = pyfuncitem.function
    drawn = law._hypothesis_internal_use_settings
    few = max(_FEWEST_EXAMPLES, drawn.max_examples // 4)
    with mock.patch.object(law, "_hypothesis_internal_use_settings", settings(drawn, max_examples=few)):
        return (yield)


def _examples_of(function: object) -> int:
    """How many examples a test draws; 0 where it draws none, or where others are to be drawn each time."""
    drawn = getattr(function, "_hypothesis_internal_use_settings", None)
    return drawn.max_examples if is_hypothesis_test(function) and drawn.derandomize else 0


def pytest_collection_finish() -> None:
    """All tests and libraries are there to stay: looking through them for garbage took a tenth of a run."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)


@pytest.fixture(scope="session", autouse=True)
def _one_core() -> Iterator[None]:
    """Starting processes takes longer than what most tests would hand to them, and the tests fill all cores already."""
    with mock.patch.multiple(os, cpu_count=lambda: 1, sched_getaffinity=lambda _: {0}, create=True):
        yield


@pytest.fixture(scope="module")
def same_bytes_are_measured_once(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """The same log with the same parameters is measured once for all modules that ask for this.

    For tests of what is done with runs that are measured: many of them read the recorded captures.
    """
    from once_a_run import measured_once, read_once

    from frametime.pipeline import measuring_many, tuning_record

    with (
        mock.patch.object(measuring_many, "measure_one", measured_once(tmp_path_factory)),
        mock.patch.object(tuning_record, "measure_file", read_once(tmp_path_factory)),
    ):
        yield


@pytest.fixture
def the_demo_is_made_once(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """The files of the demo are made once for all tests that ask for this."""
    from once_a_run import demo_made_once

    from frametime.demo import demo_files

    monkeypatch.setattr(demo_files, "demo_files", demo_made_once(tmp_path_factory))
