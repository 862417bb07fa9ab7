"""Pages that several tests read; each is made once."""

from __future__ import annotations

from pathlib import Path

import pytest
import report_samples as samples
from once_a_run import made_once

from frametime.pipeline.review_outputs import write_report
from frametime.review.result import ReviewResult


@pytest.fixture(scope="session")
def small() -> ReviewResult:
    return samples.small()


@pytest.fixture(scope="session")
def hostile() -> ReviewResult:
    return samples.hostile()


@pytest.fixture(scope="session")
def hundred_cells() -> ReviewResult:
    return samples.hundred_cells()


@pytest.fixture(scope="session")
def small_folder(small: ReviewResult, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return made_once(tmp_path_factory, "small", lambda folder: write_report(small, folder))


@pytest.fixture(scope="session")
def hostile_folder(hostile: ReviewResult, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return made_once(tmp_path_factory, "hostile", lambda folder: write_report(hostile, folder))


@pytest.fixture(scope="session")
def hundred_folder(hundred_cells: ReviewResult, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return made_once(tmp_path_factory, "hundred", lambda folder: write_report(hundred_cells, folder))
