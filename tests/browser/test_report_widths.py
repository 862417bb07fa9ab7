"""What a usual window shows of the widest tables, in a real browser."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

pytestmark = pytest.mark.browser

Open = Callable[..., Any]

WIDER_THAN_THEIR_BOX = """
() => {
  document.querySelectorAll('details').forEach((folded) => { folded.open = true; });
  const boxes = [...document.querySelectorAll('.table > .scroll')];
  return {
    count: boxes.length,
    wider: boxes.filter((box) => box.scrollWidth > box.clientWidth + 1)
      .map((box) => [box.parentElement.id, box.scrollWidth, box.clientWidth]),
  };
}
"""


@pytest.mark.parametrize("name", ["small", "tuning"])
def test_every_column_of_every_table_is_in_sight_at_1280_pixels(opened: Open, name: str) -> None:
    page = opened(name, width=1280).page
    page.wait_for_selector(".tools" if name == "tuning" else ".uplot canvas")
    found = page.evaluate(WIDER_THAN_THEIR_BOX)
    assert found["count"] >= 4
    assert found["wider"] == []


def test_a_difference_stands_over_its_interval(opened: Open) -> None:
    page = opened("small").page
    page.wait_for_selector(".uplot canvas")
    places = page.evaluate(
        """() => [...document.querySelectorAll('#cells-1 td > .v + .r')].map(
          (range) => [range.previousElementSibling, range].map((part) => part.getBoundingClientRect()))
          .map(([value, range]) => [value.bottom, range.top])"""
    )
    assert places
    assert all(over <= under + 1.0 for over, under in places)
