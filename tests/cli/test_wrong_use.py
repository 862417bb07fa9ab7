"""Wrong usage ends with 2, an option that would do nothing is refused, and the reader sees what was read."""

from __future__ import annotations

import csv
import json
import re
import shutil
from pathlib import Path

import pytest
from run_cli import frametime

from frametime.cli.film import _pixels

LOGS = Path(__file__).parents[2] / "reference_logs"
FREEZE = LOGS / "made" / "one_freeze.csv"
REFERENCE_PLAN = LOGS / "review" / "plan.toml"
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
        (
            ("check", FREEZE, "--max-rejected", "nan"),
            "'--max-rejected': 'nan' is not a number from 0 to 100",
        ),
        (("check", FREEZE, "--temperature-limit", "nan"), "'--temperature-limit': 'nan' is not a number from 1 to 200"),
        (("check", FREEZE, "--power-limit", "inf"), "'--power-limit': 'inf' is not a number from 1 to 5000"),
        (
            ("check", FREEZE, "--stutter-ratio", "inf"),
            "'--stutter-ratio': 'inf' is not a number above 1 and up to 1000",
        ),
        (("check", FREEZE, "--to", "inf"), "'--to': 'inf' is not a number from 0 to 86400"),
        (("check", FREEZE, "--skip-start", "nan"), "--skip-start"),
        (("check", FREEZE, "--lows", "nan"), "--lows"),
        (("check", FREEZE, "--refresh", "inf"), "--refresh"),
        (("watch", ".", "--settle", "nan"), "'--settle': 'nan' is not a number from 0.01 to 3600"),
        (
            ("tune", "add", "x.toml", "--workload", "a", "--outcome", "passed", "--fps", "inf"),
            "'inf' is not a number above 0",
        ),
        (("check", FREEZE, "--time-column", "0"), "--time-column 0: columns are counted from 1"),
        (("check", FREEZE, "--time-column", ""), "Invalid value for '--time-column': it is empty"),
        (("check", FREEZE, "--stream", ""), "Invalid value for '--stream': it is empty"),
        (("check", ""), "a file name is empty"),
        (("compare", "", "--out", "x"), "a file name is empty"),
        (("convert", "", "x.arrow"), "Invalid value for 'IN': it is empty"),
        (("batch", "", "--out", "x.csv"), "Invalid value for 'FOLDER': it is empty"),
        (("plan", ""), "Invalid value for '[FOLDER]': it is empty"),
        (("review", "."), "this is a folder; make its plan with frametime plan ."),
        (("order", REFERENCE_PLAN.parent), f"this is a folder; give {REFERENCE_PLAN}"),
        (("demo", ""), "Invalid value for 'FOLDER': it is empty"),
        (("check", "-dash.csv"), "'-dash.csv' is written './-dash.csv'"),
        (("check", FREEZE, "--out", "x.png", "--plot", "x.png"), "--out and --plot name one file"),
        (("check", "none.csv", "--out", "x.png", "--plot", "./x.png"), "--out and --plot name one file"),
        (("tune", "show", "none.toml", "--report", "x.md", "--charts", "x.md"), "--report and --charts name one file"),
        (("batch", ".", "--out", "x.csv", "--cluster", "foo:1", "--workers", "2"), "--workers is for this machine"),
        (("batch", ".", "--out", "x.csv", "--path-pattern", "{x}.csv"), "known fields: card, card_settings, scene"),
        (("check", FREEZE, "--theme", "dark"), "--theme is for the drawing: give --plot FILE too"),
        (("check", FREEZE, "--size", "print"), "--size is for the drawing"),
        (("check", "-", "--sensors", "-"), "standard input can be the capture or the sensor log, not both"),
        (("tune", "endurance", "-", "--sensors", "-"), "standard input can be the capture"),
        (("tune", "endurance", FREEZE, "--size", "print"), "--size is for the drawing"),
        (("check", FREEZE, "--sensor-offset", "1"), "--sensor-offset is for reading a sensor log: give --sensors too"),
        (("batch", ".", "--out", "x.txt"), "'.txt' names no format"),
        (("batch", ".", "--out", "x.csv", "--intervals"), "No such option --intervals"),
        (("compare", FREEZE, "--out", "x", "--intervals"), "No such option --intervals"),
        (("compare", FREEZE, "--out", "x", "--power-limit", "9"), "No such option --power-limit"),
        (("metrics", "--intervals"), "No such option --intervals"),
        (("convert", FREEZE, "x.csv"), "the ending '.csv' is no format for a capture; use .arrow or .parquet"),
        (("convert", FREEZE, "x.arrow", "--skip-start", "auto"), "--skip-start auto is not for this command"),
        (("tune", "endurance", FREEZE, "--skip-start", "auto"), "--skip-start auto is not for this command"),
        (("tune", "endurance", FREEZE, "--plot", "a.gif"), "'.gif' is no format"),
        (("tune", "endurance", FREEZE, "--report", "a.txt"), "'.txt' is no format"),
    ],
)
def test_wrong_usage_ends_with_2(arguments: tuple[str | Path, ...], words: str, tmp_path: Path) -> None:
    done = frametime(*arguments, cwd=tmp_path)
    assert (done.code, done.out) == (2, ""), done.err
    said = re.sub("option(:? )'?(--[a-z-]+)'?", r"option \2", done.err)  # older click puts a colon for quotes
    assert words in said
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("option", [("--kind", "rate"), ("--decimal", ","), ("--refresh", "60"), ("--runs", "4")])
def test_what_a_plan_says_is_not_said_again_to_a_watch(option: tuple[str, str], tmp_path: Path) -> None:
    done = frametime("watch", "plan.toml", *option, cwd=tmp_path)
    assert (done.code, done.out) == (2, "") and f"{option[0]} is for a folder: with a plan" in done.err


def test_a_watch_of_a_plan_takes_the_options_that_its_review_takes(tmp_path: Path) -> None:
    values = {"remember": [], "sort": [], "settle": ["2"], "quiet": [], "unit": ["ms"], "stream": ["game"]}
    for option, value in values.items():
        done = frametime("watch", "plan.toml", f"--{option}", *value, cwd=tmp_path)
        assert done.code == 3 and "plan.toml: there is no such file" in done.err, done.err


@pytest.mark.parametrize(
    "arguments",
    [
        ("check", "run.csv", "--out", "run.csv", "--force"),
        ("check", "run.csv", "--out", "./run.csv", "--force"),
        ("check", FREEZE, "--sensors", "run.csv", "--out", "run.csv", "--force"),
        ("convert", "run.arrow", "./run.arrow", "--force"),
        ("batch", ".", "--out", "run.csv", "--force"),
        ("batch", ".", "--out", "run.csv", "--resume"),
        ("batch", ".", "--out", "run.parquet", "--force"),
        ("batch", "other", "--out", "run.parquet", "--force"),
        ("batch", "other", "--out", "run.csv", "--force"),
        ("plan", ".", "--out", "run.csv", "--force"),
        ("plan", "other", "--out", "run.parquet", "--force"),
        ("plan", "other", "--out", "run.sensors.csv", "--force"),
        ("tune", "endurance", "run.csv", "--sensors", "page.html", "--report", "./page.html", "--force"),
        ("tune", "endurance", "picture.png", "--plot", "./picture.png", "--force"),
        ("tune", "show", "record.md", "--report", "./record.md", "--force"),
    ],
)
def test_no_input_is_replaced(arguments: tuple[str | Path, ...], tmp_path: Path) -> None:
    shutil.copy(FREEZE, tmp_path / "run.csv")
    for name in ("page.html", "picture.png", "record.md"):
        shutil.copy(FREEZE, tmp_path / name)
    shutil.copy(SENSORS, tmp_path / "run.sensors.csv")
    (tmp_path / "other").mkdir()
    for ending in ("arrow", "parquet"):
        assert frametime("convert", "run.csv", f"run.{ending}", cwd=tmp_path).code == 0
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir() if path.is_file()}
    done = frametime(*arguments, cwd=tmp_path)
    assert (done.code, done.out) == (2, ""), done.err
    assert "is not replaced" in done.err or "it is kept" in done.err
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir() if path.is_file()} == before


def test_what_a_command_made_itself_is_replaced_with_force(tmp_path: Path) -> None:
    log = tmp_path / "amber" / "harbor" / "run1.csv"
    log.parent.mkdir(parents=True)
    shutil.copy(FREEZE, log)
    for out in ("runs.csv", "runs.jsonl", "runs.parquet", "new/runs.csv"):
        for more in ((), ("--force",), ("--resume",)):
            assert frametime("batch", ".", "--out", out, *more, "--path-pattern", "{card}/*/*", cwd=tmp_path).code == 0
    for more in ((), ("--force",)):
        done = frametime("plan", ".", "--path-pattern", "{card}/{scene}/run{run}.csv", *more, cwd=tmp_path)
        assert done.code == 0 and done.out.startswith("1 capture, pattern {card}/{scene}/run{run}.csv\n")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("check", FREEZE, "--out", "."), ".: this is a folder; name a file"),
        (("check", FREEZE, "--out", ".", "--force"), ".: this is a folder; name a file"),
        (("check", "none.csv", "--out", "taken/x.txt"), "taken: this is a file, not a folder"),
        (("batch", "logs", "--out", "taken/x.csv"), "taken: this is a file, not a folder"),
        (("plan", "logs", "--out", "."), ".: this is a folder; name a file"),
        (("check", FREEZE, "--layout", "none.toml"), "none.toml: there is no such file"),
        (("batch", "logs", "--out", "x.csv", "--cluster", "foo"), "foo: no cluster answers here"),
    ],
)
def test_what_cannot_be_used_ends_with_3(arguments: tuple[str | Path, ...], words: str, tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("a file")
    (tmp_path / "logs").mkdir()
    shutil.copy(FREEZE, tmp_path / "logs" / "run1.csv")
    done = frametime(*arguments, cwd=tmp_path)
    assert (done.code, done.out) == (3, "") and words in done.err, done.err
    assert done.err.count("\n") == 1
    assert sorted(path.name for path in tmp_path.iterdir()) == ["logs", "taken"]


@pytest.mark.parametrize(
    ("arguments", "made"),
    [
        (("check", FREEZE, "--out", "a/b/x.txt"), "a/b/x.txt"),
        (("check", FREEZE, "--plot", "a/b/x.png"), "a/b/x.png"),
        (("convert", FREEZE, "a/b/x.arrow"), "a/b/x.arrow"),
        (("tune", "new", "a/b/x.toml"), "a/b/x.toml"),
        (("tune", "endurance", FREEZE, "--report", "a/b/x.md"), "a/b/x.md"),
        (("plan", LOGS / "recorded" / "preset-base", "--path-pattern", "{card}/{scene}/run{run}.csv.gz"), "plan.toml"),
        (
            ("plan", LOGS / "recorded", "--path-pattern", "{card}/{scene}/*/run{run}.csv.gz", "--out", "a/b/p.toml"),
            "a/b/p.toml",
        ),
    ],
)
def test_missing_folders_above_an_output_are_made(arguments: tuple[str | Path, ...], made: str, tmp_path: Path) -> None:
    done = frametime(*arguments, cwd=tmp_path)
    assert done.code == 0, done.err
    assert (tmp_path / made).is_file()


@pytest.mark.usefixtures("the_demo_is_made_once")
def test_names_are_printed_without_signs_that_move_the_cursor(tmp_path: Path) -> None:
    for arguments in (("demo", "a\x1b[2Jb"), ("tune", "new", "c\x1b[2Jd.toml")):
        done = frametime(*arguments, cwd=tmp_path)
        assert done.code == 0 and "\\x1b[2J" in done.out and "\x1b" not in done.out + done.err
    shutil.copy(tmp_path / "a\x1b[2Jb" / "tuning" / "tuning.toml", tmp_path / "e\x1b[2Jf.toml")
    for name in ("next", "show"):
        done = frametime("tune", name, "e\x1b[2Jf.toml", cwd=tmp_path)
        assert "\x1b" not in done.out + done.err and "Traceback" not in done.err


def test_one_file_is_passed_over_in_the_singular(tmp_path: Path) -> None:
    for source, name in ((FREEZE, "run.csv"), (SENSORS, "board.csv")):
        shutil.copy(source, tmp_path / name)
    (tmp_path / "notes.md").write_text("mine")
    (tmp_path / "prices.md").write_text("mine")
    done = frametime("batch", ".", "--out", "x.csv", cwd=tmp_path)
    assert "1 measured, 0 failed; passed over: 2 other files, 1 sensor log\n" in done.err


@pytest.mark.parametrize(
    "arguments", [("compare", "--out", "charts", "--only", "percentiles", "--force"), ("tune", "endurance")]
)
def test_a_sensor_log_given_as_a_capture_is_told_by_every_command(arguments: tuple[str, ...], tmp_path: Path) -> None:
    done = frametime(*arguments, SENSORS, cwd=tmp_path)
    assert "this looks like a sensor log" in done.err and "--sensors" in done.err
    done = frametime(*arguments, ATLAS, cwd=tmp_path)
    assert (done.code, "looks like a sensor log" in done.err) == (0, False)


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
    assert done.code == 3 and "none.toml: there is no such file" in done.err
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


@pytest.mark.parametrize(
    ("option", "value", "told"),
    [
        ("--fps", "1000.1", "is not 1 to 1000"),
        ("--fps", "60/0", "is not 1 to 1000"),
        ("--size", "179x320", "is not a size from 180x180"),
        ("--size", "320x8193", "is not a size from 180x180"),
        ("--size", "320", "is not a size from 180x180"),
        ("--color", "3399cc", "is not as #3399cc"),
    ],
)
def test_a_value_of_film_alone_is_told_with_its_option(option: str, value: str, told: str, tmp_path: Path) -> None:
    done = frametime("film", FREEZE, "--out", tmp_path / "clip", option, value)
    assert (done.code, done.out) == (2, "")
    assert f"'{value}' {told}" in done.err and f"'{option}'" in done.err


def test_odd_sizes_of_a_film_are_taken_one_less() -> None:
    assert _pixels("1921x1081") == (1920, 1080) and _pixels("640X360") == (640, 360)
