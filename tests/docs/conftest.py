"""The pages review the same captures again and again: the same bytes are made and measured once for all of them."""

from __future__ import annotations

from functools import cache

import pytest

from frametime.demo import demo_files

_made_once = cache(demo_files.demo_files)


@pytest.fixture(autouse=True)
def the_demo_is_made_once(same_bytes_are_measured_once: None, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(demo_files, "demo_files", _made_once)
