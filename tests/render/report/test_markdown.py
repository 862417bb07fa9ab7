"""The text form: the same words and numbers, whatever stands in them."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path
from typing import Any

from hypothesis import given
from hypothesis import strategies as st
from report_page_reading import parsed, shown_numbers

from frametime.render.report.markdown import code, escaped, readable


def _cells(line: str) -> list[str]:
    """Cells of a table row: bars with a backslash before them are text."""
    return re.split(r"(?<!\\)\|", line)[1:-1]


def test_every_row_has_the_cells_of_its_heading(hostile_folder: Path) -> None:
    lines = (hostile_folder / "report.md").read_text("utf-8").split("\n")
    widths = [0]
    for line in lines:
        if not line.startswith("|"):
            widths.append(0)
            continue
        width = len(_cells(line))
        assert widths[-1] in {0, width}, line
        widths.append(width)
    assert max(widths) >= 8


def test_foreign_text_adds_no_heading_and_no_markup(hostile_folder: Path) -> None:
    text = (hostile_folder / "report.md").read_text("utf-8")
    assert not re.search(r"^#+ no heading", text, flags=re.M)
    without_code = re.sub(r"(?<![\\`])(`+)(?!`).*?(?<!`)\1(?!`)", "", text)
    assert not re.search(r"(?<!\\)<(script|img)", without_code)
    assert "](https://elsewhere.example)" not in without_code.replace("\\](", "")


def test_the_numbers_of_the_page_are_in_the_text(small_folder: Path) -> None:
    text = (small_folder / "report.md").read_text("utf-8")
    page = (small_folder / "report.html").read_text("utf-8")
    assert all(item.text.strip() in text for item in shown_numbers(parsed(page)))


def test_headings_follow_each_other(small_folder: Path) -> None:
    text = (small_folder / "report.md").read_text("utf-8")
    levels = [len(marks) for marks in re.findall(r"^(#+) ", text, flags=re.M)]
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


@given(st.text())
def test_escaped_text_is_one_line_and_loses_nothing(text: str) -> None:
    shown = escaped(text)
    shown.encode("utf-8")
    assert "\n" not in shown
    assert re.sub(r"\\([\\`*_\[\]<|~&#>+=.)$^-])", r"\1", shown) == " ".join(readable(text).split())
    assert not re.search(r"(?<!\\)(?:\\\\)*[|<`$^]", shown)


@given(st.text(alphabet="a`| \n"))
def test_code_is_fenced_by_more_marks_than_it_holds(text: str) -> None:
    shown = code(text)
    fence = re.match(r"`+", shown)
    assert fence is not None
    inside = shown[len(fence.group()) : -len(fence.group())]
    assert fence.group() not in re.findall(r"`+", inside)
    assert not re.search(r"(?<!\\)\|", shown)


def test_flags_and_caveats_are_told(small_folder: Path, small: Any) -> None:
    text = (small_folder / "report.md").read_text("utf-8")
    flagged = [run for run in small.runs if run.flag]
    assert flagged
    for run in flagged:
        assert code(run.name) in text
        assert escaped(run.flag.sentence) in text
    for exclusion in small.exclusions:
        assert exclusion.reason in text
