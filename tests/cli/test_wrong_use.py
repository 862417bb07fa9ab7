"""Wrong usage ends with 2, an option that would do nothing is refused, and the reader sees what was read."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import pytest
from run_cli import frametime

LOGS = Path(__file__).parents[2] / "reference_logs"
FREEZE = LOGS / "made" / "one_freeze.csv"
ATLAS = LOGS / "recorded" / "preset-base" / "atlas" / "1080p" / "run1.csv.gz"
SENSORS = ATLAS.with_name("run1.sensors.csv")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("check", FREEZE, "--plot", "a.gif"), "'.gif' is no format"),
        (("check", "missing.csv", "--plot", "a.gif"), "'.gif' is no format"),
        (("check", FREEZE, "--adapter", "delimited-txt"), "did you mean 'delimited-text'?"),
        (("check", FREEZE, "--tearing"), "give --refresh too"),
        (("check", FREEZE, "--lows", "1,1.0"), "--lows names a share twice"),
        (("check", FREEZE, "--max-rejected", "nan"), "--max-rejected"),
        (("check", FREEZE, "--theme", "dark"), "--theme is for the drawing: give --plot FILE too"),
        (("check", FREEZE, "--size", "print"), "--size is for the drawing"),
        (("check", "-", "--sensors", "-"), "standard input can be the capture or the sensor log, not both"),
        (("tune", "endurance", "-", "--sensors", "-"), "standard input can be the capture"),
        (("tune", "endurance", FREEZE, "--size", "print"), "--size is for the drawing"),
        (("check", FREEZE, "--sensor-offset", "1"), "--sensor-offset is for reading a sensor log: give --sensors too"),
        (("batch", ".", "--out", "x.txt"), "'.txt' names no format"),
        (("batch", ".", "--out", "x.csv", "--sensor-zone", "UTC"), "give --sensors-pattern too"),
        (("batch", ".", "--out", "x.csv", "--intervals"), "No such option '--intervals'"),
        (("compare", FREEZE, "--out", "x", "--intervals"), "No such option '--intervals'"),
        (("compare", FREEZE, "--out", "x", "--power-limit", "9"), "No such option '--power-limit'"),
        (("metrics", "--intervals"), "No such option '--intervals'"),
        (("convert", FREEZE, "x.csv"), "the ending is '.csv'"),
        (("convert", FREEZE, "x.arrow", "--skip-start", "auto"), "--skip-start auto is not for this command"),
        (("tune", "endurance", FREEZE, "--skip-start", "auto"), "--skip-start auto is not for this command"),
        (("tune", "endurance", FREEZE, "--plot", "a.gif"), "'.gif' is no format"),
        (("tune", "endurance", FREEZE, "--report", "a.txt"), "'.txt' is no format"),
    ],
)
def test_wrong_usage_ends_with_2(arguments: tuple[str | Path, ...], words: str, tmp_path: Path) -> None:
    done = frametime(*arguments, cwd=tmp_path)
    assert (done.code, done.out) == (2, ""), done.err
    assert words in done.err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "arguments",
    [
        ("check", "run.csv", "--out", "run.csv", "--force"),
        ("check", "run.csv", "--out", "./run.csv", "--force"),
        ("check", FREEZE, "--sensors", "run.csv", "--out", "run.csv", "--force"),
        ("convert", "run.arrow", "./run.arrow", "--force"),
        ("batch", ".", "--out", "run.csv", "--force"),
        ("batch", ".", "--out", "run.csv", "--resume"),
    ],
)
def test_no_input_is_replaced(arguments: tuple[str | Path, ...], tmp_path: Path) -> None:
    shutil.copy(FREEZE, tmp_path / "run.csv")
    assert frametime("convert", "run.csv", "run.arrow", cwd=tmp_path).code == 0
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    done = frametime(*arguments, cwd=tmp_path)
    assert (done.code, done.out) == (2, ""), done.err
    assert "is not replaced" in done.err or "it is kept" in done.err
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


@pytest.mark.parametrize("arguments", [("compare", "--out", "charts", "--only", "percentiles"), ("tune", "endurance")])
def test_a_sensor_log_given_as_a_capture_is_told_by_every_command(arguments: tuple[str, ...], tmp_path: Path) -> None:
    done = frametime(*arguments, SENSORS, cwd=tmp_path)
    assert "this looks like a sensor log" in done.err and "--sensors" in done.err
    assert "looks like a sensor log" not in frametime(*arguments, ATLAS, "--force", cwd=tmp_path).err


@pytest.mark.parametrize("ending", ["arrow", "parquet"])
def test_a_converted_capture_is_named_with_the_log_it_came_from(ending: str, tmp_path: Path) -> None:
    assert frametime("convert", FREEZE, f"mine.{ending}", cwd=tmp_path).code == 0
    told = f"mine.{ending} (converted from one_freeze.csv)"
    assert frametime("check", f"mine.{ending}", cwd=tmp_path).out.startswith(told + "  6001 frames")
    assert frametime("check", "-q", f"mine.{ending}", cwd=tmp_path).out.startswith(told + ": ")
    assert f"not met: {told}: " in frametime("check", f"mine.{ending}", "--min", "average_fps=999", cwd=tmp_path).err
    document = json.loads(frametime("check", "--json", f"mine.{ending}", cwd=tmp_path).out)
    assert (document["file"], document["provenance"]["file_name"]) == (f"mine.{ending}", str(FREEZE))
    assert "converted" not in frametime("check", FREEZE).out


def test_a_plan_that_is_wrong_is_told_before_a_folder_is_asked_for(tmp_path: Path) -> None:
    done = frametime("review", "none.toml", cwd=tmp_path)
    assert done.code == 3 and "none.toml: cannot be read" in done.err
    (tmp_path / "plan.toml").write_text('titel = "x"\n')
    done = frametime("review", "plan.toml", cwd=tmp_path)
    assert done.code == 3 and "title" in done.err
    done = frametime("review", LOGS / "review" / "plan.toml", cwd=tmp_path)
    assert done.code == 2 and "give --out FOLDER" in done.err


def test_a_failed_row_says_the_same_however_the_folder_is_typed(tmp_path: Path) -> None:
    folder = tmp_path / "a long name of a folder" / "captures"
    folder.mkdir(parents=True)
    shutil.copy(FREEZE, folder / "good.csv")
    (folder / "bad.csv").write_bytes(b"")
    tables = []
    for number, typed in enumerate([folder, folder.relative_to(tmp_path), Path("..") / tmp_path.name / "." / folder]):
        out = tmp_path / f"runs{number}.csv"
        assert frametime("batch", typed, "--out", out, cwd=tmp_path).code == 4
        tables.append(out.read_bytes())
    assert tables[0] == tables[1] == tables[2]
    [bad] = [row for row in csv.DictReader(tables[0].decode().splitlines()) if row["status"] == "failed"]
    assert bad["reason"].startswith("bad.csv: this file is empty")
