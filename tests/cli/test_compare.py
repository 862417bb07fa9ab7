"""``frametime compare`` and ``frametime check --plot``, as a shell sees them."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from run_cli import frametime

LOGS = Path(__file__).parents[2] / "reference_logs" / "recorded"


@pytest.fixture
def logs() -> list[str]:
    """Two recorded runs."""
    found = sorted(str(path) for path in LOGS.rglob("run*.csv*") if "sensors" not in path.name)
    return [found[0], found[len(found) // 2]]


def test_two_captures_become_six_pictures_and_a_line_of_numbers_each(logs: list[str], tmp_path: Path) -> None:
    done = frametime("compare", *logs, "--out", tmp_path / "charts")
    assert done.code == 0
    told = r"\S+: average [0-9.]+ fps · 1 % low [0-9.]+ fps · longest [0-9.]+ ms · [0-9]+ stutters?"
    assert [bool(re.fullmatch(told, line)) for line in done.err.splitlines()] == [True, True]
    names = ["frame-times-1", "frame-times-2", "frame-time-panels", "frame-time-overlay", "percentiles", "distribution"]
    assert [Path(line).name for line in done.out.splitlines()] == [f"{name}.png" for name in names]
    assert sorted(path.name for path in (tmp_path / "charts").iterdir()) == sorted(f"{name}.png" for name in names)


def test_one_chart_in_two_formats_and_never_over_a_file(logs: list[str], tmp_path: Path) -> None:
    chosen = ("--only", "percentiles", "--format", "svg", "--format", "pdf", "--theme", "dark", "--size", "print")
    done = frametime("compare", *logs, "--out", tmp_path, *chosen)
    assert done.code == 0
    assert sorted(path.name for path in tmp_path.iterdir()) == ["percentiles.pdf", "percentiles.svg"]
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    again = frametime("compare", *logs, "--out", tmp_path, *chosen)
    assert again.code == 3
    assert "exist; --force replaces it" in again.err
    forced = frametime("compare", *logs, "--out", tmp_path, *chosen, "--force")
    assert forced.code == 0
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("--only", "pie"), 2, "there is no chart 'pie' here; known are frame-times"),
        (("--size", "poster"), 2, "'poster' is not one of"),
        (("--theme", "sepia"), 2, "'sepia' is not one of"),
        (("--format", "gif"), 2, "'gif' is not one of"),
    ],
)
def test_wrong_usage(logs: list[str], tmp_path: Path, arguments: tuple[str, ...], code: int, words: str) -> None:
    done = frametime("compare", *logs, "--out", tmp_path / "charts", *arguments)
    assert (done.code, done.out) == (code, "")
    assert words in done.err
    assert not (tmp_path / "charts").exists()


def test_a_capture_that_cannot_be_used_stops_before_anything_is_written(logs: list[str], tmp_path: Path) -> None:
    done = frametime("compare", logs[0], "missing.csv", "--out", tmp_path / "charts")
    assert done.code == 3
    assert "missing.csv: there is no such file" in done.err
    assert not (tmp_path / "charts").exists()


def test_the_plot_of_a_check(logs: list[str], tmp_path: Path) -> None:
    picture = tmp_path / "run.png"
    done = frametime("check", logs[0], "--quiet", "--plot", picture, "--size", "video-1080p")
    assert done.code == 0
    assert picture.read_bytes().startswith(b"\x89PNG")
    wrong = frametime("check", logs[0], "--quiet", "--plot", tmp_path / "run.gif")
    assert wrong.code == 2
    assert "'.gif' is no format for a chart" in wrong.err


def test_captures_are_labeled_and_the_charts_titled(logs: list[str], tmp_path: Path) -> None:
    texts: list[str] = []
    for chosen in ((), ("--label", "stock", "--label", "tuned", "--title", "What tuning brought")):
        done = frametime(
            "compare", *logs, "--out", tmp_path, "--only", "percentiles", "--format", "svg", "--force", *chosen
        )
        assert done.code == 0
        texts.append((tmp_path / "percentiles.svg").read_text())
    assert "<!-- What tuning brought -->" in texts[1]
    assert "<!-- stock -->" in texts[1]
    assert "<!-- What tuning brought -->" not in texts[0]
    done = frametime("compare", *logs, "--out", tmp_path / "none", "--label", "stock")
    assert (done.code, (tmp_path / "none").exists()) == (2, False)
    assert "--label is given 1 times for 2 captures" in done.err


def test_sensor_logs_that_a_pattern_takes_in_are_left_out(tmp_path: Path) -> None:
    folder = LOGS / "preset-base" / "atlas" / "1080p"
    assert list(folder.glob("run1*sensors*"))
    done = frametime("compare", str(folder / "run1*"), "--out", tmp_path, "--only", "frame-times")
    assert (done.code, len(done.err.splitlines())) == (0, 1)
    assert [path.name for path in tmp_path.iterdir()] == ["frame-times.png"]
