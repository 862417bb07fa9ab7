"""Pages that several tests read; each is made once."""

from __future__ import annotations

from pathlib import Path

import pytest
import report_samples as samples
from once_a_run import made_once

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


def written_once(request: pytest.FixtureRequest, factory: pytest.TempPathFactory, name: str, result: str) -> Path:
    """The folder of a report; its review is made in the process alone that writes it."""
    return made_once(
        factory, name, lambda folder: samples.example.write_report(request.getfixturevalue(result), folder)
    )


@pytest.fixture(scope="session")
def small_folder(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written_once(request, tmp_path_factory, "small", "small")


@pytest.fixture(scope="session")
def hostile_folder(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written_once(request, tmp_path_factory, "hostile", "hostile")


@pytest.fixture(scope="session")
def hundred_folder(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written_once(request, tmp_path_factory, "hundred", "hundred_cells")
