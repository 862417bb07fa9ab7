"""The caveats of a review: each text is used with the words that it has room for, and the pages explain it."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from string import Formatter

from frametime.words import entries

ROOT = Path(__file__).parents[2]
REVIEW, PIPELINE = ROOT / "frametime" / "review", ROOT / "frametime" / "pipeline"
TEXTS = {key: text for key, _, text in entries((REVIEW / "caveats.txt").read_text("utf-8"))}
_CODE = re.compile(r'code="([a-z-]+)"|^ +"([a-z]+(?:-[a-z]+)+)": \($', re.MULTILINE)


def uses() -> Iterator[tuple[set[str], set[str | None], str]]:
    """Of every use of a text: its keys, the names of its words (``None`` for those in a mapping), and the place."""
    for path in (*sorted(REVIEW.glob("*.py")), *sorted(PIPELINE.glob("*.py"))):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "caveat_of":
                first = node.args[0]
                parts = [first.body, first.orelse] if isinstance(first, ast.IfExp) else [first]
                keys = {part.value for part in parts if isinstance(part, ast.Constant) and isinstance(part.value, str)}
                yield keys, {word.arg for word in node.keywords}, f"{path.name}:{node.lineno}"


def test_every_text_is_used_with_the_words_that_it_has_room_for() -> None:
    used = set()
    for keys, words, place in uses():
        used |= keys
        for key in keys:
            room = {name for _, name, _, _ in Formatter().parse(TEXTS[key]) if name is not None}
            assert words - {None} <= room, place
            assert None in words or words == room, place
    # The code of a condition that differs is put together from its name.
    assert set(TEXTS) - used == {"driver-differs", "operating-system-differs"}


def test_every_caveat_of_a_review_is_explained() -> None:
    sources = sorted(REVIEW.glob("*.py"))
    written = {next(filter(None, found)) for path in sources for found in _CODE.findall(path.read_text("utf-8"))}
    made = written | {key.partition("/")[0] for key in TEXTS}
    assert {"one-run", "missing-cells", "driver-differs", "no-price", "recurring-hitches"} <= made
    page = (ROOT / "docs" / "caveats.md").read_text("utf-8")
    section = page.partition("## Review")[2].partition("\n## ")[0]
    # A code that sensor logs have too stands with theirs: each code is explained once.
    assert made - set(re.findall(r"`([a-z-]+)`", page)) == set()
    assert set(re.findall(r"`([a-z-]+)`", section)) - made == set()
