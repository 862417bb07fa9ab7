"""Pages that several tests read; each is made once."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from frametime.pipeline.report_files import write_report
from frametime.review.result import ReviewResult


def _module(name: str) -> ModuleType:
    """A module beside this one, under a name by which the tests here import it."""
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


_module("report_page_reading")


@pytest.fixture(scope="session")
def samples() -> Any:
    return _module("report_samples")


@pytest.fixture(scope="session")
def small(samples: Any) -> ReviewResult:
    return samples.small()


@pytest.fixture(scope="session")
def hostile(samples: Any) -> ReviewResult:
    return samples.hostile()


@pytest.fixture(scope="session")
def hundred_cells(samples: Any) -> ReviewResult:
    return samples.hundred_cells()


@pytest.fixture(scope="session")
def small_folder(small: ReviewResult, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("small")
    write_report(small, folder)
    return folder


@pytest.fixture(scope="session")
def hostile_folder(hostile: ReviewResult, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("hostile")
    write_report(hostile, folder)
    return folder


@pytest.fixture(scope="session")
def hundred_folder(hundred_cells: ReviewResult, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("hundred")
    write_report(hundred_cells, folder)
    return folder
