"""The files of a report: whole, never replaced unasked, and made only when asked for."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import example_result as example
import pytest
from once_a_run import made_once

from frametime.errors import OutputError
from frametime.pipeline import review_outputs
from frametime.pipeline.chart_files import ChartRequest
from frametime.pipeline.review_outputs import Writing, drawn_files, write_review
from frametime.review.result import ReviewResult


@pytest.fixture(scope="module")
def result() -> ReviewResult:
    return example.example_result()


def test_page_and_text_are_written_and_nothing_else(
    result: ReviewResult, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = made_once(tmp_path_factory, "small", lambda folder: example.write_report(result, folder))
    assert sorted(path.name for path in folder.iterdir()) == ["report.html", "report.md"]
    page = (folder / "report.html").read_bytes()
    assert page.startswith(b"<!doctype html>\n")
    assert b"\r" not in page
    assert page.decode("utf-8").rstrip().endswith("</html>")


@pytest.fixture
def made_reports(monkeypatch: pytest.MonkeyPatch) -> list[str | None]:
    """Reports are not really made; the folder of charts of each that was asked for."""
    asked: list[str | None] = []

    def make(_result: ReviewResult, *, charts_folder: str | None = None) -> dict[str, str]:
        asked.append(charts_folder)
        return {"report.html": "<!doctype html>\n", "report.md": "# Title\n"}

    monkeypatch.setattr(review_outputs, "report_texts", make)
    return asked


@pytest.mark.usefixtures("made_reports")
def test_a_report_that_no_review_wrote_is_not_replaced(result: ReviewResult, tmp_path: Path) -> None:
    (tmp_path / "report.md").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match=r"it holds 'report\.md', which no review has written"):
        write_review(result, tmp_path, Writing(report=True))
    assert [path.name for path in tmp_path.iterdir()] == ["report.md"]


@pytest.mark.usefixtures("made_reports")
def test_a_folder_that_cannot_be_made_is_an_error_of_the_user(result: ReviewResult, tmp_path: Path) -> None:
    (tmp_path / "none").write_text("a file")
    with pytest.raises(OutputError, match="this is not a folder"):
        write_review(result, tmp_path / "none", Writing(report=True))


@pytest.mark.usefixtures("made_reports")
def test_an_unchanged_review_names_what_stands_there(result: ReviewResult, tmp_path: Path) -> None:
    writing = Writing(report=True)
    names = write_review(result, tmp_path, writing)
    assert {"report.html", "report.md", "result.json"} <= set(names.names)
    assert write_review(result, tmp_path, writing) == names
    (tmp_path / "report.md").unlink()
    assert write_review(result, tmp_path, writing) == names
    assert (tmp_path / "report.md").exists()


def test_a_review_lists_the_report_and_makes_it_once(
    result: ReviewResult, tmp_path: Path, made_reports: list[str | None]
) -> None:
    files = dict(drawn_files(result, charts=None, report=True))
    assert list(files) == ["report.html", "report.md"]
    assert made_reports == []
    for name, write in files.items():
        write(tmp_path / name)
    assert made_reports == [None]
    assert dict(drawn_files(result, charts=None, report=False)) == {}


def test_the_text_names_the_charts_that_lie_beside_it(
    result: ReviewResult, tmp_path: Path, made_reports: list[str | None]
) -> None:
    files = dict(drawn_files(result, charts=ChartRequest(), report=True))
    assert list(files)[-2:] == ["report.html", "report.md"]
    assert len([name for name in files if name.startswith("charts/")]) > 10
    files["report.md"](tmp_path / "report.md")
    assert made_reports == ["charts"]
    # None where a text cannot show them, or only some were asked for.
    for request in (ChartRequest(formats=("svg",)), ChartRequest(only=("matrix",))):
        dict(drawn_files(result, charts=request, report=True))["report.md"](tmp_path / "report.md")
    assert made_reports[1:] == [None, None]


UNGUARDED = """
import example_result as example
from pathlib import Path
from frametime.pipeline.chart_files import ChartRequest, chart_writers
writers = chart_writers(example.example_result(), ChartRequest(formats=("svg",)), workers=2)
next(iter(writers.values()))(Path("first.svg"))
"""


@pytest.mark.slow
def test_a_script_without_the_guard_is_told_so_and_does_not_wait_forever(tmp_path: Path) -> None:
    script = tmp_path / "unguarded.py"
    script.write_text(UNGUARDED, encoding="utf-8")
    path = os.pathsep.join([str(Path(example.__file__).parent), os.environ.get("PYTHONPATH", "")])
    done = subprocess.run(
        [sys.executable, str(script)],
        capture_output=True,
        text=True,
        timeout=240,
        check=False,
        env={**os.environ, "PYTHONPATH": path},
    )
    assert done.returncode == 1
    assert "put the call below if __name__ == '__main__':" in done.stderr
