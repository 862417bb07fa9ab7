"""A sensor log that lies beside a capture under its name is found by every command."""

from __future__ import annotations

import csv
import os
from pathlib import Path

import pytest
from run_cli import frametime

from frametime.plans.folder_walk import sensor_log_beside

FRAMES = "frame_time_ms\n" + "10\n" * 1200
SENSORS = "elapsed_s,power_w\n" + "".join(f"{i / 2},{200 + i % 2}\n" for i in range(30))


def bench(folder: Path, sensors: str = "X_1_sensors.csv") -> Path:
    (folder / "X_1.csv").write_text(FRAMES, "utf-8")
    (folder / sensors).write_text(SENSORS, "utf-8")
    return folder / "X_1.csv"


@pytest.mark.parametrize(
    "name", ["X_1_sensors.csv", "X_1.sensors.csv", "X_1-hw.log", "X_1 gpu power.csv", "X_1_board.txt"]
)
def test_check_reads_it_and_says_so(tmp_path: Path, name: str) -> None:
    done = frametime("check", bench(tmp_path, name))
    assert done.code == 0
    assert "average power" in done.out and "sensors-found-beside" in done.out


def test_a_pattern_that_takes_it_in_checks_the_capture_alone(tmp_path: Path) -> None:
    bench(tmp_path)
    (tmp_path / "torn.csv").write_text("no numbers\n", "utf-8")
    done = frametime("check", "-q", "./*.csv", cwd=tmp_path)
    assert "./X_1.csv: usable" in done.out
    assert [line.split(": ")[1] for line in done.err.splitlines()] == ["./torn.csv"]
    alone = frametime("check", "X_1_sensors.csv", cwd=tmp_path)
    assert (alone.code, "looks like a sensor log" in alone.err) == (3, True)


def test_batch_reads_it_and_counts_it_as_no_capture(tmp_path: Path) -> None:
    bench(tmp_path)
    done = frametime("batch", ".", "--out", "x.csv", cwd=tmp_path)
    assert "1 measured, 0 failed; passed over: 1 sensor log" in done.err
    (row,) = csv.DictReader((tmp_path / "x.csv").read_text("utf-8").splitlines())
    assert float(row["average_power_w"]) == pytest.approx(200.5, abs=0.5)


def test_an_option_of_sensors_is_taken_where_one_is_found(tmp_path: Path) -> None:
    done = frametime("check", bench(tmp_path), "--sensor-offset", "1")
    assert done.code == 0
    (tmp_path / "X_1_sensors.csv").unlink()
    assert "give --sensors too" in frametime("check", tmp_path / "X_1.csv", "--sensor-offset", "1").err


def test_the_log_of_another_run_is_not_taken(tmp_path: Path) -> None:
    for name in ("X.csv", "X_1.csv"):
        (tmp_path / name).write_text(FRAMES, "utf-8")
    (tmp_path / "X_1_sensors.csv").write_text(SENSORS, "utf-8")
    (tmp_path / "X_notes.csv").write_text("date,price\n2026-01-01,5\n", "utf-8")
    assert sensor_log_beside(tmp_path / "X.csv") is None
    assert sensor_log_beside(tmp_path / "X_1.csv") == tmp_path / "X_1_sensors.csv"


def test_of_two_none_is_taken(tmp_path: Path) -> None:
    capture = bench(tmp_path)
    (tmp_path / "X_1_hw.csv").write_text(SENSORS, "utf-8")
    os.utime(tmp_path, (1, 1))
    assert sensor_log_beside(capture) is None


def test_a_sensor_log_that_is_broken_leaves_the_frames(tmp_path: Path) -> None:
    capture = bench(tmp_path)
    (tmp_path / "broken.csv").write_text("elapsed_s,power_w\nx,y\n", "utf-8")
    for sensors in ("broken.csv", "nowhere.csv"):
        done = frametime("check", capture, "--sensors", tmp_path / sensors)
        assert done.code == 0
        assert "average                        100.0 fps" in done.out
        assert "sensors-unusable" in done.out


def test_tune_add_reads_it(tmp_path: Path) -> None:
    capture = bench(tmp_path)
    record = tmp_path / "card.toml"
    assert frametime("tune", "new", record).code == 0
    text = record.read_text("utf-8").replace('# "light scene" = 3', '"light scene" = 0.1')
    record.write_text(text, encoding="utf-8")
    done = frametime("tune", "add", record, "--workload", "light scene", "--outcome", "passed", "--log", capture)
    assert done.code == 0, done.err
    assert "X_1_sensors.csv" in record.read_text("utf-8")
    assert "200.5" in record.read_text("utf-8")
