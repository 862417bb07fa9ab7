"""Rare options stand last in every help, and may stand in a settings file, which is told when it is used."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from option_logs import write_option_logs
from run_cli import frametime
from test_option_effects import commands

from frametime.cli import cli

HEADINGS = ["Reading", "Sensors", "Limits"]
COMMON = ("--json", "--out", "--force", "--plot", "--skip-start", "--from", "--lows", "--workers", "--help")


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bench")
    write_option_logs(folder)
    return folder


@pytest.fixture
def bench(written: Path, tmp_path: Path) -> Path:
    folder = tmp_path / "bench"
    shutil.copytree(written, folder)
    return folder


def test_rare_options_stand_under_the_same_headings_at_the_end_of_every_help() -> None:
    under: dict[str, set[str]] = {}
    for name, _ in commands(cli):  # type: ignore[arg-type]  # the group is one
        text = frametime(*name.split(), "--help").out
        found = re.split(r"^(\w+):\n", text, flags=re.MULTILINE)
        sections = dict(zip(found[1::2], found[2::2], strict=True))
        assert [heading for heading in sections if heading in HEADINGS] == [h for h in HEADINGS if h in sections], name
        assert next(iter(sections)) == "Options", name
        for heading, body in sections.items():
            for option in re.findall(r"^  (?:-\w, )?(--[\w-]+)", body, re.MULTILINE):
                under.setdefault(option, set()).add(heading)
    assert all(len(headings) == 1 for headings in under.values()), under
    assert all(under[option] == {"Options"} for option in COMMON)
    assert (under["--stream"], under["--sensor-zone"], under["--max-columns"]) == ({"Reading"}, {"Sensors"}, {"Limits"})


def test_a_file_in_the_folder_at_hand_is_used_and_told_and_the_command_line_wins(bench: Path) -> None:
    assert frametime("check", "two.csv", cwd=bench).code == 0
    settings = bench / "frametime.toml"
    settings.write_text("[limits]\nmax_columns = 1\n", encoding="utf-8")
    done = frametime("check", "two.csv", cwd=bench)
    assert done.code == 3
    assert done.err.splitlines()[0] == "frametime: as frametime.toml says: max_columns"
    assert "at most 1 are read" in done.err
    done = frametime("check", "two.csv", "--max-columns", "9", cwd=bench)
    assert (done.code, done.err) == (0, "")
    settings.write_text("[sensors]\nsensor_zone = 'UTC'\n[reading]\nlayout = 'lay/second.toml'\n", encoding="utf-8")
    (bench / "lay").mkdir()
    (bench / "second.toml").rename(bench / "lay" / "second.toml")
    by_file = frametime("check", "--json", "two.csv", cwd=bench)
    settings.unlink()
    by_option = frametime("check", "--json", "two.csv", "--layout", "lay/second.toml", cwd=bench)
    assert by_file.code == 0 and by_file.out == by_option.out != frametime("check", "--json", "two.csv", cwd=bench).out


def test_a_file_beside_the_plan_counts_for_its_review(bench: Path, tmp_path: Path) -> None:
    arguments = ("review", bench / "two_csv_review.toml", "--out", "out", "--no-charts", "--no-report", "--force")
    assert frametime(*arguments, cwd=tmp_path).code == 0
    (bench / "frametime.toml").write_text("[limits]\nmax_columns = 1\n", encoding="utf-8")
    done = frametime(*arguments, cwd=tmp_path)
    assert done.code != 0
    assert done.err.splitlines()[0] == f"frametime: as {bench / 'frametime.toml'} says: max_columns"
    assert frametime(*arguments, "--max-columns", "9", cwd=tmp_path).code == 0


@pytest.mark.parametrize(
    ("log", "sensors", "option"), [("absolute.csv", "local.csv", "--sensor-zone UTC"),
                                   ("run.csv", "cards.csv", "--sensor-device 1")],
)  # fmt: skip
def test_a_review_reads_sensor_logs_as_told(log: str, sensors: str, option: str, bench: Path) -> None:
    stem = log.replace(".", "_")
    root = bench / f"{stem}_review"
    plan = root.with_suffix(".toml")
    if not root.exists():
        stem, root, plan = "run_csv", bench / "run_csv_review", bench / "run_csv_review.toml"
        shutil.copy(bench / log, root / "amber" / "scene" / "run1.csv")
    shutil.copy(bench / sensors, root / "amber" / "scene" / "run1.hw.csv")
    text = plan.read_text("utf-8")
    plan.write_text(
        text.replace("[captures]", '[captures]\nsensors = "{card}/{scene}/run{run}.hw.csv"'), encoding="utf-8"
    )
    results = []
    for more in ((), tuple(option.split())):
        frametime("review", plan, "--out", bench / "out", "--no-charts", "--no-report", "--force", *more, cwd=bench)
        result = bench / "out" / "result.json"
        results.append(result.read_text("utf-8") if result.exists() else "none")
        if more:  # a package is made with the options of its review
            pack = ("pack", "out", "--out", "out.zip")
            assert [frametime(*pack, cwd=bench).code, frametime(*pack, *more, cwd=bench).code] == [3, 0]
        shutil.rmtree(bench / "out", ignore_errors=True)
    assert results[0] != results[1] and "average_power_w" in results[1]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[limits]\nmax_colums = 5\n", "line 2: unknown key 'limits.max_colums'; did you mean 'max_columns'?"),
        ("[limts]\n", "line 1: unknown key 'limts'; known tables are [reading], [limits], [sensors]"),
        ("max_columns = 5\n", "line 1: unknown key 'max_columns'; known tables are"),
        (
            "[limits]\nmax_columns = 1e308\n",
            "max_columns is 1e+308; '1e+308' is not a whole number from 1 to 100000",
        ),
        ("[limits]\nmax_columns = 2.5\n", "limits.max_columns is 2.5; '2.5' is not a whole number from 1 to 100000"),
        ("[limits]\nmax_columns = [1]\n", "limits.max_columns is [1]; allowed: a text or a number"),
        ("[reading]\nsort = 1\n", "reading.sort is 1; allowed: true or false"),
        ("[reading]\nmax_rejected = nan\n", "reading.max_rejected is nan; 'nan' is not a number from 0 to 100"),
        ("[reading\n", "this is not TOML"),
        ("[reading]\nstream = ''\n", "it is empty"),
    ],
)
def test_a_wrong_file_is_told_with_line_key_and_what_is_allowed(text: str, says: str, bench: Path) -> None:
    (bench / "frametime.toml").write_text(text, encoding="utf-8")
    done = frametime("check", "run.csv", cwd=bench)
    assert (done.code, done.out, done.err.count("\n")) == (3, "", 1)
    assert done.err.startswith("frametime: frametime.toml: ") and says in done.err, done.err
