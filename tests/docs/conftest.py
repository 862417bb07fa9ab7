"""The pages review the same captures again and again: the same bytes are made and measured once for all of them."""

from __future__ import annotations

from functools import cache

import pytest
from once_a_run import measured_once

from frametime.demo import demo_files
from frametime.pipeline import measuring_many

_made_once = cache(demo_files.demo_files)


@pytest.fixture(autouse=True)
def same_bytes_are_measured_once(monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory) -> None:
    monkeypatch.setattr(measuring_many, "measure_one", measured_once(tmp_path_factory))
    monkeypatch.setattr(demo_files, "demo_files", _made_once)
