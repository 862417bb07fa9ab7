"""``docs/charts.md`` has a line for each chart of the catalog, in its order, and names the sizes there are."""

from __future__ import annotations

import re
from pathlib import Path

from frametime.render.charts.chart_catalog import CATALOG
from frametime.render.charts.theme import PALETTES, SIZES

PAGE = (Path(__file__).parents[2] / "docs" / "charts.md").read_text("utf-8")


def test_every_chart_has_its_line() -> None:
    assert re.findall(r"^\* `([a-z-]+)`: ", PAGE, re.MULTILINE) == list(CATALOG)


def test_every_size_and_theme_is_named() -> None:
    (sizes,) = re.findall(r"^\| `--size` \| (.*) \|$", PAGE, re.MULTILINE)
    assert re.findall(r"`([a-z0-9-]+)`", sizes) == list(SIZES)
    (themes,) = re.findall(r"^\| `--theme` \| (.*) \|$", PAGE, re.MULTILINE)
    assert re.findall(r"`([a-z]+)`", themes) == list(PALETTES)
