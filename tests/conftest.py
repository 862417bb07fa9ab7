"""What all tests share."""

from __future__ import annotations

import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]

# Helpers stand beside the tests that use them; the tests themselves are imported by path.
for folder in ("cli",):
    sys.path.insert(0, str(ROOT / "tests" / folder))
