"""Every ``python`` block of README and docs runs, and prints the ``text`` block that stands below it, if any.

The blocks of a page are one program, run in a fresh folder that holds ``reference_logs``. In that program each line
stands where it stands in the page, so that an error names the line of the page.
"""

from __future__ import annotations

import re
import runpy
import shutil
import traceback
from importlib import import_module
from pathlib import Path

import pytest
from run_cli import Streams, as_a_process

ROOT = Path(__file__).parents[2]
_BLOCK = re.compile(r"^```python\n(?P<code>.*?)^```$(?:\n+```text\n(?P<printed>.*?)^```$)?", re.DOTALL | re.MULTILINE)
_MARK = "\x1e"


def pages() -> list[object]:
    found = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))]
    named = {page.relative_to(ROOT).as_posix(): page for page in found}
    return [pytest.param(page, id=name) for name, page in named.items() if _BLOCK.search(page.read_text("utf-8"))]


def program_of(text: str) -> tuple[str, list[str | None]]:
    """The blocks as one program, a mark printed before each, and what each must print."""
    lines = [""] * (text.count("\n") + 1)
    expected: list[str | None] = []
    for block in _BLOCK.finditer(text):
        fence = text.count("\n", 0, block.start())
        # A process that the page starts imports the page again, and must print nothing.
        lines[fence] = f"if __name__ == '__main__': print({_MARK!r}, end='', flush=True)"
        code = block["code"].splitlines()
        lines[fence + 1 : fence + 1 + len(code)] = code
        expected.append(block["printed"])
    return "\n".join(lines) + "\n", expected


def run_page(text: str, folder: Path) -> str | None:
    """What is wrong with the blocks of a page, if anything."""
    program, expected = program_of(text)
    script = folder / "page.py"
    script.write_text(program, encoding="utf-8")
    streams = Streams()
    try:
        with as_a_process(streams, folder):
            runpy.run_path(script.name, run_name="__main__")
    except Exception:  # noqa: BLE001 - whatever a page raises is what is wrong with it
        return traceback.format_exc()
    printed = streams.done(0).out.split(_MARK)[1:]
    wrong = [
        f"printed:\n{shown}\nin the page:\n{wanted}"
        for shown, wanted in zip(printed, expected, strict=True)
        if wanted is not None and shown != wanted
    ]
    return "\n".join(wrong) or None


@pytest.mark.parametrize("page", pages())
def test_the_blocks_of_the_page_run(page: Path, tmp_path: Path) -> None:
    shutil.copytree(ROOT / "reference_logs", tmp_path / "reference_logs")
    assert run_page(page.read_text("utf-8"), tmp_path) is None


def test_a_block_that_fails_is_found_at_its_line(tmp_path: Path) -> None:
    wrong = run_page("words\n\n```python\nx = 1\n```\n\n```python\nprint(x / 0)\n```\n", tmp_path)
    assert wrong is not None
    assert "line 8" in wrong
    assert "ZeroDivisionError" in wrong


def test_a_wrong_output_is_found(tmp_path: Path) -> None:
    page = "```python\nprint(1)\n```\n\n```text\n{}\n```\n\n```python\nprint(2)\n```\n"
    assert run_page(page.format(1), tmp_path) is None
    assert "printed:\n1\n" in (run_page(page.format(2), tmp_path) or "")


def test_what_a_page_names_of_a_module_is_there() -> None:
    """A function that no block of the page calls may be gone without anybody having seen it."""
    texts = [page.read_text("utf-8") for page in (ROOT / "docs").rglob("*.md")]
    named = [found for text in texts for found in re.findall(r"`([^`]+\))` of\s`(frametime[\w.]*)`", text)]
    assert named
    for call, module in named:
        for name in re.findall(r"\w+(?=\()", call):
            assert hasattr(import_module(module), name), f"{name} of {module}"
