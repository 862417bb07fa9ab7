"""The pages review the same captures again and again: the same bytes are measured once for all of them."""

from __future__ import annotations

import pytest
from once_a_run import measured_once

from frametime.pipeline import measuring_many


@pytest.fixture(autouse=True)
def same_bytes_are_measured_once(monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory) -> None:
    monkeypatch.setattr(measuring_many, "measure_one", measured_once(tmp_path_factory))
