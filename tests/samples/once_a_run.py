"""What many tests read is made once in a run of the tests, however many processes share it."""

from __future__ import annotations

import hashlib
import os
import pickle
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from frametime.capture import Capture
from frametime.demo import demo_files
from frametime.metrics.metric import MeasuredRun
from frametime.pipeline.kept_runs import beside_sha256
from frametime.pipeline.measuring import MeasureOutcome, MeasureRequest, measure_file, measure_one

_PATIENCE_S = 600.0


def shared_folder(factory: pytest.TempPathFactory) -> Path:
    """The folder of this run of the tests that all its processes see."""
    base = factory.getbasetemp()
    folder = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "shared"
    folder.mkdir(exist_ok=True)
    return folder


def made_once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], object]) -> Path:
    """The folder ``name``, filled by ``make`` in the process that asks for it first; the others wait."""
    folder = shared_folder(factory) / name
    lock, started = folder.with_suffix(".lock"), time.monotonic()
    while not folder.exists():
        try:
            lock.mkdir()
        except FileExistsError:
            assert time.monotonic() - started < _PATIENCE_S, f"{name} is not made"
            time.sleep(0.05)
            continue
        try:
            if not folder.exists():
                unfinished = factory.mktemp(name)
                make(unfinished)
                unfinished.rename(folder)
        finally:
            lock.rmdir()  # where it failed, the next one tries, and fails with the reason
    return folder


def measured_once(factory: pytest.TempPathFactory) -> Callable[[MeasureRequest], MeasureOutcome]:
    """A ``measure_one`` that measures the same bytes once, under whatever folder they lie."""
    folder = shared_folder(factory)

    def measure(request: MeasureRequest) -> MeasureOutcome:
        kept = folder / f"{_key(request)}.run"
        if kept.exists():
            outcome: MeasureOutcome = pickle.loads(kept.read_bytes())
            assert outcome.run is not None
            provenance = replace(outcome.run.provenance, file_name=request.path)
            return outcome._replace(request=request, run=outcome.run._replace(provenance=provenance))
        outcome = measure_one(request)
        if outcome.run is not None and not _names_its_folder(outcome):
            unfinished = kept.with_suffix(f".{os.getpid()}")
            unfinished.write_bytes(pickle.dumps(outcome))
            unfinished.replace(kept)
        return outcome

    return measure


def read_once(factory: pytest.TempPathFactory) -> Callable[[MeasureRequest], tuple[Capture, MeasuredRun]]:
    """A ``measure_file`` that reads and measures the same bytes under the same name once."""
    folder = shared_folder(factory)

    def read(request: MeasureRequest) -> tuple[Capture, MeasuredRun]:
        if not Path(request.path).is_file():
            return measure_file(request)
        found = request.path, request.sensors, Path(request.path).stat().st_mtime_ns, _key(request)
        return _kept(folder / f"{_hashed(found)}.read", lambda: measure_file(request))

    return read


def demo_made_once(factory: pytest.TempPathFactory) -> Callable[..., Mapping[str, bytes]]:
    """A ``demo_files`` that makes the files of the demo once."""
    folder, make = shared_folder(factory), demo_files.demo_files
    return lambda **asked: _kept(folder / f"{_hashed(asked)}.demo", lambda: make(**asked))


_in_this_process: dict[Path, Any] = {}


def _kept(path: Path, make: Callable[[], Any]) -> Any:
    """What ``make`` gives, from this process or from the file in which one of the others has kept it."""
    if path not in _in_this_process:
        if path.exists():
            _in_this_process[path] = pickle.loads(path.read_bytes())
        else:
            _in_this_process[path] = make()
            unfinished = path.with_suffix(f".{os.getpid()}")
            unfinished.write_bytes(pickle.dumps(_in_this_process[path]))
            unfinished.replace(path)
    return _in_this_process[path]


def _key(request: MeasureRequest) -> str:
    """Of all that goes into a run: the bytes read, the names of the files without their folder, every parameter."""
    sensors = request.sensors
    nameless = replace(request, path=Path(request.path).name, sensors=None if sensors is None else Path(sensors).name)
    return _hashed((nameless, _digest(request.path), _digest(sensors), beside_sha256(request)))


def _hashed(parts: object) -> str:
    return hashlib.sha256(repr(parts).encode("utf-8", "surrogatepass")).hexdigest()


def _digest(path: str | None) -> str:
    return "" if path is None or not Path(path).is_file() else hashlib.sha256(Path(path).read_bytes()).hexdigest()


def _names_its_folder(outcome: MeasureOutcome) -> bool:
    """Whether a caveat or the like names a file: such a run is true of this folder alone."""
    run, request = outcome.run, outcome.request
    assert run is not None
    text = repr(run._replace(provenance=replace(run.provenance, file_name=""), curves={}))
    return any(path is not None and path in text for path in (request.path, request.sensors))
