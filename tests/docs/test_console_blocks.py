"""Every command that README and docs show is run, and prints what they say."""

from __future__ import annotations

from pathlib import Path

import console_blocks
import pytest

pytestmark = pytest.mark.usefixtures("same_bytes_are_measured_once")


@pytest.mark.parametrize("page", console_blocks.pages(), ids=lambda page: page.name)
def test_the_page_shows_what_the_program_prints(page: Path, tmp_path: Path) -> None:
    console_blocks.make_folder(tmp_path)
    for found in console_blocks._BLOCK.finditer(page.read_text("utf-8")):
        for step in console_blocks.steps_of(found[1]):
            console_blocks.make_old(tmp_path)
            shown = console_blocks.run(step.command, tmp_path)
            assert console_blocks.matches(step.expected, shown), f"$ {step.command}\n{shown}"


def test_a_wrong_output_is_found() -> None:
    assert console_blocks.matches("a\n[...]\nb\n", "a\n1\n2\nb\n")
    assert not console_blocks.matches("a\n[...]\nb\n", "a\n1\nc\n")
