"""A folder into one table: rows, failures, neighbors, resuming."""

from __future__ import annotations

import csv
import json
import os
import shlex
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from run_cli import frametime

from frametime.render.terminal_text import wrapped
from frametime.words import COMMAND

pytestmark = pytest.mark.usefixtures("same_bytes_are_measured_once")

RECORDED = Path(__file__).parents[2] / "reference_logs" / "recorded"
PATTERN = "{card}/{scene}/{resolution}/run{run}.csv.gz"


@pytest.fixture
def captures(tmp_path: Path) -> Path:
    """Six recorded runs with their sensor logs and sidecars, and one broken log."""
    folder = tmp_path / "captures"
    for card in ("preset-base", "preset-heavy"):
        shutil.copytree(RECORDED / card / "atlas" / "1080p", folder / card / "atlas" / "1080p")
    (folder / "preset-base" / "atlas" / "1080p" / "run9.csv.gz").write_bytes(b"")
    return folder


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_one_row_a_capture_and_a_count(captures: Path, tmp_path: Path) -> None:
    out = tmp_path / "runs.csv"
    done = frametime("batch", captures, "--out", out, "--path-pattern", PATTERN)
    rows = rows_of(out)
    assert done.code == 4
    assert len(rows) == 7
    assert {row["card"] for row in rows} == {"preset-base", "preset-heavy"}
    [failed] = [row for row in rows if row["status"] == "failed"]
    assert "empty" in failed["reason"] and failed["run"] == "9"
    assert "6 measured, 1 failed" in done.err and "run9.csv.gz" in done.err
    assert all(float(row["average_fps"]) > 200 for row in rows if row["status"] == "measured")


def test_neighbors_are_passed_over_counted_and_named(captures: Path, tmp_path: Path) -> None:
    (captures / "preset-base" / "atlas" / "1080p" / "run9.csv.gz").unlink()
    done = frametime("batch", captures, "--out", tmp_path / "runs.csv")
    assert done.code == 0
    assert "6 sensor logs" in done.err and "6 other files" in done.err
    lines = [line for line in done.err.splitlines() if line.startswith("passed over, ")]
    assert len(lines) == 2 and all(line.endswith(" and 3 more (--verbose names them)") for line in lines)
    assert lines[0].startswith("passed over, other files: preset-base/") and "JSON without a list of frames" in lines[0]
    again = ("batch", captures, "--out", tmp_path / "runs.csv", "--force")
    assert "passed over" not in frametime(*again, "--quiet").err
    named = [line for line in frametime(*again, "--verbose").err.splitlines() if line.startswith("passed over, ")]
    assert [line.count("preset-") for line in named] == [6, 6] and not any(" more" in line for line in named)


def test_a_folder_that_cannot_be_listed_is_told_and_the_rest_goes_on(
    captures: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # An administrator may list any folder: the system's refusal is stood in for.
    scan = os.scandir

    def refusing(path: str = ".") -> Iterator[os.DirEntry[str]]:
        if str(path).endswith("preset-heavy"):
            raise PermissionError(13, "Permission denied", path)
        return scan(path)

    monkeypatch.setattr(os, "scandir", refusing)
    out = tmp_path / "runs.csv"
    done = frametime("batch", captures, "--out", out, "--workers", "1")
    assert done.code == 4
    assert "preset-heavy: this folder cannot be listed (Permission denied)" in done.err
    assert "3 measured, 1 failed" in done.err and len(rows_of(out)) == 4
    drafted = frametime("plan", captures, "--out", tmp_path / "plan.toml")
    assert drafted.code == 0 and "preset-heavy: this folder cannot be listed (Permission denied)" in drafted.err


@pytest.mark.parametrize("ending", ["jsonl", "parquet"])
def test_the_formats_hold_the_same(ending: str, captures: Path, tmp_path: Path) -> None:
    from frametime.adapters.base import ReadOptions
    from frametime.pipeline.batch import BatchOptions, columns_of
    from frametime.pipeline.tables import read_table

    columns = columns_of(BatchOptions(read=ReadOptions()))
    frametime("batch", captures, "--out", tmp_path / "runs.csv")
    frametime("batch", captures, "--out", tmp_path / f"runs.{ending}")
    found = list(read_table(tmp_path / f"runs.{ending}", columns=columns))
    assert found == list(read_table(tmp_path / "runs.csv", columns=columns))


def test_the_number_of_workers_changes_no_byte(captures: Path, tmp_path: Path) -> None:
    for number in range(2, 12):
        shutil.copy(captures / "preset-base" / "atlas" / "1080p" / "run1.csv.gz", captures / f"more{number}.csv.gz")
    frametime("batch", captures, "--out", tmp_path / "one.csv", "--workers", "1")
    frametime("batch", captures, "--out", tmp_path / "two.csv", "--workers", "2")
    assert (tmp_path / "one.csv").read_bytes() == (tmp_path / "two.csv").read_bytes()


def test_resume_keeps_what_has_not_changed(captures: Path, tmp_path: Path) -> None:
    out = tmp_path / "runs.csv"
    frametime("batch", captures, "--out", out)
    whole = out.read_bytes()
    assert "the file exists" in frametime("batch", captures, "--out", out).err
    again = frametime("batch", captures, "--out", out, "--resume")
    assert "0 measured, 6 kept unchanged, 1 failed" in again.err
    assert out.read_bytes() == whole
    other = captures / "preset-base" / "atlas" / "1080p"
    shutil.copy(other / "run1.csv.gz", other / "run2.csv.gz")
    assert "1 measured, 5 kept unchanged, 1 failed" in frametime("batch", captures, "--out", out, "--resume").err
    options: list[str] = []
    for option in (("--quantile-type", "6"), ("--segment", "longest"), ("--skip-start", "auto")):
        options += option
        changed = frametime("batch", captures, "--out", out, "--resume", *options)
        assert "6 measured, 1 failed" in changed.err, option


def test_an_unfinished_batch_is_taken_up_again(captures: Path, tmp_path: Path) -> None:
    out, whole = tmp_path / "runs.jsonl", tmp_path / "whole.jsonl"
    frametime("batch", captures, "--out", whole)
    lines = whole.read_text("utf-8").splitlines(keepends=True)
    journal = tmp_path / ".runs.jsonl.unfinished.jsonl"
    call = {"captures": captures.name, "parameters": json.loads(lines[0])["parameters"]}
    journal.write_text(json.dumps(call) + "\n" + "".join(lines[:3]) + lines[3][:20], encoding="utf-8")
    other = frametime("batch", captures, "--out", out, "--resume", "--skip-start", "0.5")
    assert other.code == 3 and "other captures or parameters" in other.err
    done = frametime("batch", captures, "--out", out, "--resume")
    assert "kept unchanged" in done.err
    assert out.read_bytes() == whole.read_bytes()
    assert not journal.exists()


def test_no_progress_in_a_pipe(captures: Path, tmp_path: Path) -> None:
    assert "\r" not in frametime("batch", captures, "--out", tmp_path / "runs.csv").err


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["missing", "--out", "x.csv"], 3, "no such folder"),
        ([".", "--out", "x.txt"], 2, "names no format"),
        ([".", "--out", "x.csv", "--path-pattern", "../{run}.csv"], 2, "--path-pattern"),
        ([".", "--out", "x.csv", "--sensors-pattern", "{run}.sensors.csv"], 2, "'{run}' is not in --path-pattern"),
        (
            [".", "--out", "x.csv", "--path-pattern", "{run}.csv", "--sensors-pattern", "{card}.s"],
            2,
            "'{card}' is not in",
        ),
        ([".", "--out", "missing/x.csv"], 3, "no capture was found"),
        ([".", "--out", "runs", "--partition-by", "card"], 2, "--partition-by takes fields of --path-pattern"),
        (
            [".", "--out", "x.csv", "--partition-by", "card", "--path-pattern", "{card}.csv"],
            2,
            "--partition-by writes a folder of Parquet files, not a .csv file",
        ),
        (
            [".", "--out", "runs", "--partition-by", "card,scene", "--path-pattern", "{card}.csv"],
            2,
            "--partition-by: 'scene' is no field of the path pattern; its fields: card",
        ),
        ([".", "--out", "runs", "--partition-by", "card,card", "--path-pattern", "{card}.csv"], 2, "a field twice"),
        ([".", "--out", "runs"], 2, "--partition-by for a folder"),
        ([".", "--out", "x.jsonl", "--escape-formulas"], 2, "--escape-formulas is for .csv tables"),
        ([".", "--out", "x.csv"], 3, "no capture was found"),
    ],
)
def test_what_cannot_be_done_is_said(arguments: list[str], code: int, words: str, tmp_path: Path) -> None:
    done = frametime("batch", *arguments, cwd=tmp_path)
    assert done.code == code and words in done.err and "Traceback" not in done.err
    assert list(tmp_path.iterdir()) == []


def test_a_sensor_log_is_found_by_its_pattern(captures: Path, tmp_path: Path) -> None:
    out = tmp_path / "runs.jsonl"
    sensors = "{card}/{scene}/{resolution}/run{run}.sensors.csv"
    frametime("batch", captures, "--out", out, "--path-pattern", PATTERN, "--sensors-pattern", sensors)
    rows = [json.loads(line) for line in out.read_text("utf-8").splitlines()]
    assert all(50.0 < row["average_power_w"] < 400.0 for row in rows if row["status"] == "measured")


@pytest.mark.skipif(os.name == "nt", reason="such names cannot be made there")
def test_cells_like_formulas_are_told_and_escaped_on_request(captures: Path, tmp_path: Path) -> None:
    out = tmp_path / "runs.csv"
    command = ("batch", captures, "--out", out, "--path-pattern", "{card}/{scene}/{resolution}/run{run}.csv.gz")
    assert "--escape-formulas" not in frametime(*command).err
    (captures / "preset-heavy").rename(captures / "=cmd()")
    told = frametime(*command, "--force")
    assert told.err.count("--escape-formulas") == 1
    assert f"{out}: 6 cells of text look like a formula" in told.err
    plain = rows_of(out)
    assert [row["card"] for row in plain[:3]] == ["=cmd()"] * 3
    quiet = frametime(*command, "--force", "--escape-formulas")
    assert "--escape-formulas" not in quiet.err
    safe = rows_of(out)
    assert [row["card"] for row in safe[:3]] == ["'=cmd()"] * 3
    assert [row["average_fps"] for row in safe] == [row["average_fps"] for row in plain]
    whole = out.read_bytes()
    assert "6 kept unchanged" in frametime(*command, "--resume", "--escape-formulas").err
    assert out.read_bytes() == whole


def test_a_folder_of_tables_is_not_replaced_unasked(captures: Path, tmp_path: Path) -> None:
    command = ("batch", captures, "--out", f"{tmp_path / 'runs'}/", "--path-pattern", PATTERN, "--partition-by", "card")
    assert frametime(*command).code == 4
    folder = tmp_path / "runs"
    assert sorted(path.name for path in folder.iterdir()) == ["card=preset-base", "card=preset-heavy"]
    first = (folder / "card=preset-base" / "part-0.parquet").read_bytes()
    again = frametime(*command)
    assert again.code == 3 and "the folder exists; --force replaces it, --resume goes on with it" in again.err
    assert "6 kept unchanged" in frametime(*command, "--resume").err
    assert frametime(*command, "--force").code == 4
    assert (folder / "card=preset-base" / "part-0.parquet").read_bytes() == first


def test_resume_keeps_a_file_that_is_no_table_of_a_batch(captures: Path, tmp_path: Path) -> None:
    out = tmp_path / "notes.csv"
    out.write_text("card,idea\namber,warm\n", encoding="utf-8")
    done = frametime("batch", captures, "--out", out, "--resume")
    assert done.code == 3 and "this is not a table of an earlier batch" in done.err
    assert out.read_text(encoding="utf-8") == "card,idea\namber,warm\n"
    assert [path.name for path in tmp_path.iterdir() if path.is_file()] == ["notes.csv"]


@pytest.mark.parametrize("name", ["it's a  run 1.csv", "zwei  l\u00e4ufe.csv", "plain.csv"])
def test_the_command_shown_for_an_open_log_can_be_pasted_whatever_its_name(tmp_path: Path, name: str) -> None:
    """A command ends at two spaces; those within a name in quotes are none."""
    folder = tmp_path / "it's mine"
    folder.mkdir()
    (folder / name).write_text("frame_a_ms,frame_b_ms\n" + "14.5,28.5\n16.5,24.5\n15.5,26.5\n" * 200)
    out = tmp_path / "runs.csv"
    assert frametime("batch", folder, "--out", out).code == 4
    [row] = rows_of(out)
    assert row["reason"].endswith("  in the folder of the captures")
    [first, second] = [part for part in COMMAND.split(row["reason"]) if part.startswith("frametime check ")]
    assert str(tmp_path) not in row["reason"] and first.endswith(
        "--time-column frame_a_ms --unit ms --kind frame-time --remember"
    )
    lines = wrapped(row["reason"]).splitlines()
    assert first in lines and second in lines
    assert frametime(*shlex.split(first)[1:], cwd=folder).code == 0
    assert frametime("batch", folder, "--out", out, "--force").code == 0
