"""The quick check: its screen, its JSON, its gate, and how it ends."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from log_files import write_log
from run_cli import frametime

LOGS = Path(__file__).parents[2] / "reference_logs"
CAPTURES = sorted(
    path
    for path in LOGS.rglob("*")
    if path.name.endswith((".csv", ".csv.gz", ".tsv", ".txt"))
    and ".sensors." not in path.name
    and "no_header" not in path.name
    and "review" not in path.parts
)
ATLAS = LOGS / "recorded" / "preset-base" / "atlas" / "1080p" / "run1.csv.gz"
FREEZE = LOGS / "made" / "one_freeze.csv"


def test_the_screen_fits_80_columns_and_30_lines() -> None:
    done = frametime("check", *CAPTURES)
    assert done.code == 0, done.err
    screens = re.split(r"\n(?=\S+  \d+ frames in )", done.out)
    assert len(screens) == len(CAPTURES)
    for screen in screens:
        lines = screen.strip("\n").splitlines()
        assert len(lines) <= 30, lines[0]
        assert lines[1].split(":")[0] in {"Usable", "Usable with care", "Repeat this run"}
        assert all(len(line) <= 80 for line in lines), lines[0]


def test_json_has_full_precision_and_no_nan() -> None:
    done = frametime("check", "--json", ATLAS)
    document = json.loads(done.out)
    assert document["schema"] == "frametime.run/1"
    assert document["n_frames"] == 2851
    average = document["metrics"]["average_fps"]
    assert average["value"] == pytest.approx(document["n_frames"] / document["duration_s"], rel=1e-12)
    assert average["unit"] == "{frame}/s"
    throttled = document["metrics"]["throttling_time_fraction"]
    assert throttled["value"] is None and throttled["reason"]
    assert document["provenance"]["sha256"]


def test_own_results_are_told_as_such_and_never_read_as_a_log(tmp_path: Path) -> None:
    own = tmp_path / "run1.json"
    own.write_text(frametime("check", FREEZE, "--json").out, encoding="utf-8")
    told = f"frametime: {own}: this holds results that 'frametime check' wrote, and is no log; give a capture\n"
    done = frametime("check", own)
    assert (done.code, done.out, done.err) == (3, "", told)


def test_several_files_give_one_json_line_each() -> None:
    logs = [path for path in (LOGS / "made").glob("*.csv") if not path.name.endswith(".sensors.csv")]
    done = frametime("check", "--json", *logs)
    documents = [json.loads(line) for line in done.out.splitlines()]
    assert len(documents) == len(logs)


def test_standard_input_is_read(tmp_path: Path) -> None:
    alone = tmp_path / ATLAS.name  # where no sensor log lies beside it
    alone.write_bytes(ATLAS.read_bytes())
    from_file, from_stdin = frametime("check", alone), frametime("check", "-", stdin=ATLAS.read_bytes())
    assert from_stdin.code == 0
    assert from_stdin.out.splitlines()[1:] == from_file.out.splitlines()[1:]
    assert from_stdin.out.startswith("-  ")


def test_a_gate_says_which_and_by_how_much() -> None:
    done = frametime("check", "-q", FREEZE, "--max", "freeze_over_500ms_count=0", "--min", "average_fps=1")
    assert done.code == 5
    assert "freeze_over_500ms_count is 1, at most 0 is required: 1 above" in done.err
    assert frametime("check", "-q", FREEZE, "--min", "average_fps=1").code == 0


def test_the_low_of_a_tiny_share_is_shown() -> None:
    done = frametime("check", "--lows", "0.00001", ATLAS)
    assert done.code == 0, done.err
    assert [line.split("  ")[1] for line in done.out.splitlines() if " low, " in line] == [
        "0.00001 % low, percentile",
        "0.00001 % low, mean",
        "0.00001 % low, by time",
    ]
    assert "99.99999 % of frames are faster" in done.out


def test_wrong_usage_ends_with_2() -> None:
    for arguments in (["--min", "average_fbs=1"], ["--lows", "x"], ["--skip-start", "soon"], ["--stutter-ratio", "1"]):
        done = frametime("check", FREEZE, *arguments)
        assert done.code == 2, arguments
        assert "Error:" in done.err and "Traceback" not in done.err
    assert "did you mean 'average_fps'" in frametime("check", FREEZE, "--min", "average_fbs=1").err
    assert frametime("check", LOGS / "*.nothing").code == 2


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--lows", "0"], "--lows must be a number from 1e-06 to 99.999, got 0.0"),
        (["--stutter-ratio", "1"], "'--stutter-ratio': '1' is not a number above 1"),
        (["--unit", "parsec"], "--unit must be one of"),
        (["--from", "5", "--to", "3"], "--from must be less than --to, got 5.0 and 3.0"),
        (["--max-rejected", "200"], "'--max-rejected': '200' is not a number from 0 to 100"),
        (["--temperature-limit", "-5"], "'--temperature-limit': '-5' is not a number"),
        (["--plot", "x.png", "--size", "foo"], "'--size': 'foo' is not one of 'web'"),
    ],
)
def test_a_value_out_of_range_is_told_by_the_name_of_its_option(arguments: list[str], told: str) -> None:
    done = frametime("check", FREEZE, *arguments)
    assert (done.code, done.out) == (2, "") and told in done.err


def test_a_mistyped_command_is_told_with_the_nearest_one() -> None:
    done = frametime("chekc", FREEZE)
    assert done.code == 2 and "there is no command 'chekc'; did you mean 'check'?" in done.err
    assert "commands are check, watch, batch" in frametime("zzz").err


def test_a_sensor_log_given_as_a_capture_is_named_and_a_slow_capture_is_not(tmp_path: Path) -> None:
    sensors = ATLAS.with_name("run1.sensors.csv")
    done = frametime("check", "-q", sensors)
    assert "this looks like a sensor log" in done.err and "--sensors" in done.err
    slow = tmp_path / "slow.csv"
    write_log(slow, *(100.5 + i % 7 for i in range(200)))
    assert frametime("check", "-q", slow).err == ""
    assert frametime("check", "-q", ATLAS, "--sensors", sensors).err == ""


def test_an_unknown_metric_is_told_with_the_way_to_the_list() -> None:
    [told] = json.loads(frametime("metrics", "average_fps", "--json").out)
    assert told["source"] and "compute" not in told
    assert "did you mean 'average_fps'" in frametime("metrics", "averge_fps").err
    assert "'frametime metrics' lists them all" in frametime("metrics", "zzz").err


def test_convert_says_what_it_wrote(tmp_path: Path) -> None:
    done = frametime("convert", FREEZE, "a b.parquet", cwd=tmp_path)
    assert (done.code, done.out, done.err) == (0, "", "a b.parquet: 6001 frames\n")


def test_a_stream_that_no_column_names_is_told() -> None:
    done = frametime("check", "-q", ATLAS, "--stream", "courtyard")
    assert done.code == 0 and "no column names an application" in done.out and "'courtyard'" in done.out
    assert "no column names" not in frametime("check", "-q", ATLAS).out


def test_an_input_that_cannot_be_used_ends_with_3_and_one_line(tmp_path: Path) -> None:
    empty = tmp_path / "a\nb\u202e.csv"
    empty.write_bytes(b"")
    for bad in (empty, tmp_path, tmp_path / "missing.csv"):
        done = frametime("check", bad)
        assert (done.code, done.out) == (3, "")
        assert done.err.count("\n") == 1 and done.err.startswith("frametime: ")
        assert "\u202e" not in done.err


def test_a_bad_file_among_good_ones_does_not_stop_the_rest(tmp_path: Path) -> None:
    empty = tmp_path / "empty.csv"
    empty.write_bytes(b"")
    done = frametime("check", "-q", FREEZE, empty, ATLAS)
    assert done.code == 3
    assert len(done.out.splitlines()) == 2 and "empty.csv" in done.err


def test_explain_prints_a_layout_that_reads_the_same(tmp_path: Path) -> None:
    layout = tmp_path / "found.toml"
    layout.write_text(frametime("check", "--explain", ATLAS).out, encoding="utf-8")
    again = frametime("check", "--json", ATLAS, "--layout", layout)
    first = frametime("check", "--json", ATLAS)
    assert json.loads(again.out)["metrics"] == json.loads(first.out)["metrics"]


def test_an_output_file_is_not_replaced_without_force(tmp_path: Path) -> None:
    out = tmp_path / "check.json"
    assert frametime("check", FREEZE, "--json", "-o", out).code == 0
    written = out.read_bytes()
    done = frametime("check", ATLAS, "--json", "-o", out)
    assert done.code == 3 and "the file exists" in done.err and out.read_bytes() == written
    assert frametime("check", ATLAS, "--json", "-o", out, "--force").code == 0
    assert out.read_bytes() != written


@pytest.mark.skipif(os.name == "nt", reason="a pipe of a POSIX shell")
def test_a_closed_pipe_ends_quietly() -> None:
    done = subprocess.run(
        ["bash", "-o", "pipefail", "-c", f"'{sys.executable}' -m frametime check --json '{ATLAS}' | head -c 10"],
        capture_output=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, b"")


def test_skipping_the_warm_up_is_asked_for_and_said(tmp_path: Path) -> None:
    log = tmp_path / "warm.csv"
    write_log(log, *[14.0] * 400, *[10.0, 10.1, 9.9] * 2000)
    plain, skipped = (
        json.loads(frametime("check", "--json", log, *extra).out) for extra in ((), ("--skip-start", "auto"))
    )
    warm_up = plain["findings"]["drift"]["warm_up"]
    assert warm_up is not None and 5.0 <= warm_up["skip_s"] <= 8.0
    assert skipped["duration_s"] == pytest.approx(plain["duration_s"] - warm_up["skip_s"], abs=0.05)
    assert any("cut" in caveat["code"] for caveat in skipped["caveats"])


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--max-columns", "1"), "columns, at most 1 are read"),
        (("--max-decompressed-bytes", "1000"), "1000"),
        (("--max-line-bytes", "10"), "10 bytes"),
    ],
)
def test_the_limits_of_reading_are_options(options: tuple[str, str], words: str) -> None:
    capture = Path(__file__).parents[2] / "reference_logs/recorded/preset-base/atlas/1080p/run1.csv.gz"
    done = frametime("check", capture, *options)
    assert done.code == 3 and len(done.err.splitlines()) == 1
    assert words in done.err
