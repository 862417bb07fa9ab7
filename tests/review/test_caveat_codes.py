"""Every caveat of a review is explained in the documentation."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
PIPELINE = ROOT / "frametime" / "pipeline"
SOURCES = [
    *sorted((ROOT / "frametime" / "review").rglob("*.py")),
    PIPELINE / "review_files.py",
    PIPELINE / "shelf.py",
]
_CODE = re.compile(r'code="([a-z-]+)"|"([a-z-]+-differs?)"|^ +"([a-z]+(?:-[a-z]+)+)": \($', re.MULTILINE)


def test_every_caveat_of_a_review_is_explained() -> None:
    made = {next(filter(None, found)) for path in SOURCES for found in _CODE.findall(path.read_text("utf-8"))}
    assert {"one-run", "missing-cells", "driver-differs", "no-price", "files-not-in-plan"} <= made
    page = (ROOT / "docs" / "caveats.md").read_text("utf-8")
    section = page.partition("## Review")[2].partition("\n## ")[0]
    # A code that sensor logs have too stands with theirs: each code is explained once.
    assert made - set(re.findall(r"`([a-z-]+)`", page)) == set()
    assert set(re.findall(r"`([a-z-]+)`", section)) - made == set()
