"""The pages of docs hold together: the command reference is the program's own, every link leads somewhere."""

from __future__ import annotations

import re
from pathlib import Path

import command_pages
import pictures
import pytest

ROOT = Path(__file__).parents[2]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))]


def test_the_command_reference_is_what_the_program_says() -> None:
    shown = command_pages.PAGE.read_text("utf-8")
    assert shown == command_pages.page(), "write it anew: python tests/docs/command_pages.py"


def anchor(heading: str) -> str:
    """The anchor of a heading, as repository pages make it: lower case, no punctuation, hyphens for spaces."""
    plain = re.sub(r"[`*]|\[([^\]]*)\]\([^)]*\)", r"\1", heading).strip().lower()
    return re.sub(r"[^\w\- ]", "", plain).replace(" ", "-")


def anchors(page: Path) -> set[str]:
    text = re.sub(r"^```.*?^```", "", page.read_text("utf-8"), flags=re.DOTALL | re.MULTILINE)
    return {anchor(found[1]) for found in re.finditer(r"^#+ (.+)$", text, re.MULTILINE)}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_every_link_leads_somewhere(page: Path) -> None:
    text = re.sub(r"^```.*?^```", "", page.read_text("utf-8"), flags=re.DOTALL | re.MULTILINE)
    for target in re.findall(r"(?<!!)\[[^\]]*\]\(([^)\s]+)\)", text) + re.findall(r"!\[[^\]]*\]\(([^)\s]+)\)", text):
        assert "://" not in target or target.startswith(("https://doi.org/", "https://www.rfc-editor.org/")), target
        if "://" in target:
            continue
        path, _, fragment = target.partition("#")
        file = (page.parent / path).resolve() if path else page
        assert file.exists(), f"{page.name}: {target}"
        if fragment:
            assert fragment in anchors(file), f"{page.name}: {target}"


def test_the_pages_together_can_be_read() -> None:
    """At most 20 000 words with code and output; bars and rules of tables are none."""
    words = [word for page in PAGES for word in page.read_text("utf-8").split() if not set(word) <= set("|:-")]
    assert len(words) <= 20_000, f"{len(words)} words: say what a reader needs once, or leave out what the help says"


def test_every_page_of_docs_can_be_reached_from_the_readme() -> None:
    seen: set[Path] = set()
    waiting = [ROOT / "README.md"]
    while waiting:
        page = waiting.pop()
        if page in seen:
            continue
        seen.add(page)
        for target in re.findall(r"\]\(([^)#\s]+\.md)", page.read_text("utf-8")):
            waiting.append((page.parent / target).resolve())
    assert [str(page) for page in PAGES if page not in seen] == []


def test_every_picture_is_drawn_by_the_program_and_shown() -> None:
    there = {path.stem for path in pictures.FOLDER.iterdir()}
    shown = {
        Path(target).stem for page in PAGES for target in re.findall(r"!\[[^\]]*\]\(([^)]+)\)", page.read_text("utf-8"))
    }
    assert there == set(pictures.COMMANDS) == shown
