"""The pages review the same captures again and again: the same bytes are made and measured once for all of them."""

from __future__ import annotations

import pytest


@pytest.fixture(autouse=True)
def _once_for_all_pages(same_bytes_are_measured_once: None, the_demo_is_made_once: None) -> None:
    pass
