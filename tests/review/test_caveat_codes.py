"""Every caveat of a review is explained in the documentation."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
SOURCES = [*sorted((ROOT / "frametime" / "review").glob("*.py")), ROOT / "frametime" / "pipeline" / "review_files.py"]
_CODE = re.compile(r'code="([a-z-]+)"|"([a-z-]+-differs?)"')


def test_every_caveat_of_a_review_is_explained() -> None:
    made = {next(filter(None, found)) for path in SOURCES for found in _CODE.findall(path.read_text("utf-8"))}
    assert {"one-run", "missing-cells", "driver-differs", "no-price", "files-not-in-plan"} <= made
    section = (ROOT / "docs" / "caveats.md").read_text("utf-8").partition("## Review")[2].partition("\n## ")[0]
    explained = set(re.findall(r"`([a-z-]+)`", section))
    assert made - explained == set()
    assert explained - made == set()
