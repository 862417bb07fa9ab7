"""``frametime plan`` and ``frametime review`` as a shell runs them."""

from __future__ import annotations

import json
import shlex
import shutil
from pathlib import Path

import numpy as np
import pytest
from log_files import write_log
from run_cli import frametime


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two cards, one scene, two runs each of 10 s, and the plan drafted from them."""
    folder = tmp_path_factory.mktemp("bench")
    rng = np.random.default_rng(11)
    for card, frame_time_ms in (("amber-6", 8.0), ("birch-9", 7.0)):
        for run in (1, 2):
            path = folder / "captures" / card / "harbor" / "1440p" / f"run{run}.csv"
            times_ms = frame_time_ms * np.exp(0.05 * rng.standard_normal(int(10_000 / frame_time_ms)))
            write_log(path, *np.round(times_ms, 6).tolist())
    done = frametime("plan", "captures", "--out", "plan.toml", cwd=folder)
    assert done.code == 0, done.err
    return folder


def test_cells_like_formulas_are_told_and_escaped_on_request(bench: Path) -> None:
    text = (bench / "plan.toml").read_text("utf-8").replace('"harbor"', '"=harbor"')
    (bench / "odd.toml").write_text(text.replace('captures"', 'odd"'), encoding="utf-8")
    for card in ("amber-6", "birch-9"):
        shutil.copytree(bench / "captures" / card / "harbor", bench / "odd" / card / "=harbor")
    command = ("review", "odd.toml", "--out", "odd-out", "--no-charts", "--no-report", "-q")
    told = frametime(*command, cwd=bench)
    assert told.code == 0, told.err
    assert "cells.csv and standings.csv: " in told.err and told.err.count("--escape-formulas") == 1
    assert ",=harbor," in (bench / "odd-out" / "cells.csv").read_text("utf-8")
    escaped = frametime(*command, "--force", "--escape-formulas", cwd=bench)
    assert (escaped.code, "formula" in escaped.err) == (0, False)
    assert ",'=harbor," in (bench / "odd-out" / "cells.csv").read_text("utf-8")


@pytest.mark.usefixtures("the_demo_is_made_once")
def test_the_next_command_of_a_demo_can_be_pasted(tmp_path: Path) -> None:
    done = frametime("demo", "an evening's demo", cwd=tmp_path)
    command = shlex.split(done.out.splitlines()[-1].removeprefix("next: "))
    assert command[:2] == ["frametime", "review"] and (tmp_path / command[2]).is_file()


def test_a_drafted_plan_is_not_replaced_without_force(bench: Path) -> None:
    done = frametime("plan", "captures", "--out", "plan.toml", cwd=bench)
    assert (done.code, done.out) == (3, "")
    assert "--force" in done.err


def test_the_last_lines_name_the_page_to_open(bench: Path) -> None:
    done = frametime("review", "plan.toml", "--out", "with-page", "--no-charts", cwd=bench)
    assert done.out.splitlines()[-1].endswith(" report.html.")
    assert "6 files in with-page: report.html, report.md, " in done.err
    drawn = frametime("review", "plan.toml", "--out", "drawn", "--only", "standings", "--no-report", cwd=bench)
    n_charts = len([*(bench / "drawn" / "charts").iterdir()])
    said = f"{4 + n_charts} files in drawn: runs.parquet, cells.csv, standings.csv, result.json and {n_charts} chart"
    assert said in drawn.err


def test_a_review_from_end_to_end_and_again_from_kept_runs(bench: Path) -> None:
    done = frametime("review", "plan.toml", "--out", "out", "--no-charts", "--no-report", cwd=bench)
    assert done.code == 0, done.err
    assert "Birch 9 is ahead of Amber 6: +14" in " ".join(done.out.split())
    assert "4 files in out" in done.err
    first = (bench / "out" / "result.json").read_bytes()
    result = json.loads(first)
    assert result["comparisons"][0]["ratio"] == pytest.approx(8.0 / 7.0, rel=0.01)
    again = frametime("review", "plan.toml", "--out", "out", "--no-charts", "--no-report", "-q", cwd=bench)
    assert (again.code, again.out) == (0, "")
    assert (bench / "out" / "result.json").read_bytes() == first
    fresh = frametime(
        "review", "plan.toml", "--out", "fresh", "--no-charts", "--no-report", "-q", "--measure-again", cwd=bench
    )
    assert fresh.code == 0
    assert (bench / "fresh" / "result.json").read_bytes() == first


def test_the_command_shown_for_an_open_log_settles_the_review_when_it_is_pasted(bench: Path) -> None:
    folder = bench / "open"
    shutil.copytree(bench / "captures", folder / "captures")
    rng = np.random.default_rng(5)
    for run in (1, 2):  # 31.6 ms a frame are 31.6 frames a second: without a name, both are possible
        numbers = 31.6 * np.exp(0.03 * rng.standard_normal(400))
        path = folder / "captures" / "cedar-3 XL" / "harbor" / "1440p" / f"run{run}.csv"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("\n".join(f"{number:.3f}" for number in numbers), "utf-8")
    assert frametime("plan", "captures", "--out", "plan.toml", cwd=folder).code == 0
    coverage = ("review", "plan.toml", "--coverage")
    shown = [line.strip() for line in frametime(*coverage, cwd=folder).out.splitlines()]
    commands = [line for line in shown if line.startswith("frametime check ") and "--unit ms" in line]
    assert len(commands) == 2
    for command in commands:
        assert frametime(*shlex.split(command)[1:], cwd=folder / "captures").code == 0
    settled = frametime(*coverage, cwd=folder)
    assert (settled.code, "Complete" in settled.out) == (0, True)


def test_coverage_is_a_gate(bench: Path) -> None:
    done = frametime("review", "plan.toml", "--coverage", cwd=bench)
    assert done.code == 0, done.err
    assert "Complete" in done.out
    text = (bench / "plan.toml").read_text("utf-8").replace("runs = 2", "runs = 3")
    (bench / "more.toml").write_text(text, encoding="utf-8")
    done = frametime("review", "more.toml", "--coverage", cwd=bench)
    assert done.code == 5
    assert "Birch 9, Harbor at 1440p, run 3: missing." in done.out


def test_a_capture_that_cannot_be_used_ends_in_exit_code_4(bench: Path) -> None:
    broken = bench / "captures" / "birch-9" / "harbor" / "1440p" / "run3.csv"
    broken.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(200))
    try:
        done = frametime("review", "plan.toml", "--out", "part", "--no-charts", "--no-report", cwd=bench)
    finally:
        broken.unlink()
    assert done.code == 4
    assert "birch-9/harbor/1440p/run3.csv" in done.out


def test_neither_out_nor_coverage_is_wrong_usage(bench: Path) -> None:
    done = frametime("review", "plan.toml", cwd=bench)
    assert done.code == 2
    assert "--out" in done.err


def test_a_mistake_in_the_plan_is_one_line(bench: Path) -> None:
    text = (bench / "plan.toml").read_text("utf-8").replace("margin = 0.03", "margn = 0.03")
    (bench / "wrong.toml").write_text(text, encoding="utf-8")
    done = frametime("review", "wrong.toml", "--out", "none", cwd=bench)
    assert (done.code, done.out) == (3, "")
    assert done.err.count("\n") == 1
    assert done.err.startswith("frametime: wrong.toml: line 5: unknown key 'margn'; did you mean 'margin'?")
    assert not (bench / "none").exists()
