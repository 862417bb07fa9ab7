"""Reviews of folders whose sensor logs carry dates, are broken, or are of another day."""

from __future__ import annotations

import os
import re
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from run_cli import frametime

from frametime.adapters.base import ReadOptions
from frametime.pipeline.review_files import review_plan
from frametime.pipeline.review_outputs import review_json
from frametime.plans.finding_runs import find_runs
from frametime.plans.plan import read_plan
from frametime.review.result import ReviewResult

CARDS = {"Amber 6": (60.0, 150.0), "Brae 7": (90.0, 200.0)}
SCENES = ("harbor", "lake", "quarry")
SECONDS = 12.0
SENSOR_LOG = Path(__file__).parents[2] / "reference_logs/recorded/preset-base/atlas/1080p/run1.sensors.csv"
EVENING = datetime(2026, 11, 28, 19, 20, 0)


def frame_log(path: Path, fps: float, *, seed: int) -> None:
    steps = [1000.0 / fps * (1.0 + 0.01 * ((i * 7 + seed) % 11 - 5)) for i in range(int(SECONDS * fps))]
    path.write_text("frame_time_ms\n" + "".join(f"{step:.4f}\n" for step in steps), "utf-8")


def sensor_log(path: Path, begun: datetime, power_w: float) -> None:
    """From two seconds before the run to two seconds after it, twice a second."""
    lines = ["date,board power (W),gpu temperature"]
    for i in range(-4, int(2 * SECONDS) + 5):
        at = begun + timedelta(seconds=0.5 * i)
        load = 0 <= i <= 2 * SECONDS
        lines.append(
            f"{at:%Y/%m/%d %H:%M:%S}.{at.microsecond // 1000:03d},{power_w if load else 20.0},{62 if load else 40}"
        )
    path.write_text("\n".join(lines) + "\n", "utf-8")


def bench_folder(folder: Path, *, sensors: str = "run{run}_sensors.csv") -> Path:
    """Two cards, three scenes, three runs, each with a sensor log beside it."""
    begun = EVENING
    for card, (fps, power_w) in CARDS.items():
        for at, scene in enumerate(SCENES):
            place = folder / card / scene
            place.mkdir(parents=True)
            for run in (1, 2, 3):
                capture = place / f"run{run}.csv"
                frame_log(capture, fps + 5 * at, seed=run)
                sensor_log(place / sensors.format(run=run), begun, power_w + run)
                begun += timedelta(seconds=60)
    return folder


def reviewed(folder: Path) -> ReviewResult:
    plan = folder.parent / "plan.toml"
    assert frametime("plan", str(folder), "--out", str(plan)).code == 0
    return review_plan(read_plan(plan), workers=1)


def powers(result: ReviewResult) -> list[float | None]:
    return [run.values["average_power_w"] for run in result.runs]


def test_a_folder_with_dated_sensor_logs_goes_from_plan_to_a_verdict_with_power(tmp_path: Path) -> None:
    result = reviewed(bench_folder(tmp_path / "bench"))
    assert len(result.runs) == 18
    assert all(run.judgement != "repeat this run" for run in result.runs)
    # The sample before and the one after carry the ends, so the mean lies at most a step of the log below the load.
    assert powers(result) == pytest.approx(
        [power + run for _, power in CARDS.values() for _ in SCENES for run in (1, 2, 3)], rel=0.05
    )
    assert not [caveat for caveat in result.caveats if "sensor" in caveat.code]


def test_sensor_logs_that_cannot_be_used_cost_their_own_numbers_and_one_warning(tmp_path: Path) -> None:
    folder = bench_folder(tmp_path / "bench")
    logs = sorted(folder.rglob("*_sensors.csv"))
    for log in logs[:6]:
        log.write_text("date,board power (W)\nyesterday,100\ntoday,100\n", "utf-8")
    result = reviewed(folder)
    assert len(result.runs) == 18
    assert not result.unreadable
    (caveat,) = [caveat for caveat in result.caveats if "sensor" in caveat.code]
    assert "6 of 18 runs: the sensor log cannot be used; the frames count" in caveat.message
    assert sum(power is None for power in powers(result)) == 6
    assert {run.judgement for run in result.runs} == {"usable"} or "care" in str({run.judgement for run in result.runs})


def test_what_is_said_of_a_sensor_log_is_the_same_from_any_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = bench_folder(tmp_path / "bench")
    for log in folder.rglob("*_sensors.csv"):
        log.write_text("date,board power (W)\nyesterday,100\ntoday,100\n", "utf-8")
    assert frametime("plan", str(folder), "--out", str(tmp_path / "plan.toml")).code == 0
    results = []
    for where, plan in ((tmp_path, Path("plan.toml")), (tmp_path.parent, Path(tmp_path.name) / "plan.toml")):
        monkeypatch.chdir(where)
        results.append(review_json(review_plan(read_plan(plan), workers=1)))
    assert "the sensor log cannot be used" in results[0]
    assert results[0] == results[1]


def test_a_sensor_log_in_the_place_of_a_capture_is_called_as_in_the_folder(tmp_path: Path) -> None:
    folder = bench_folder(tmp_path / "bench")
    assert frametime("plan", str(folder), "--out", str(tmp_path / "plan.toml")).code == 0
    first = next(iter(CARDS)), SCENES[0], "run1.csv"
    folder.joinpath(*first).write_bytes(SENSOR_LOG.read_bytes())
    plan = replace(read_plan(tmp_path / "plan.toml"), read=ReadOptions(time_column=1))  # told so, it is read
    (unreadable,) = review_plan(plan, workers=1).unreadable
    assert unreadable.error.startswith(f"{'/'.join(first)}: this looks like a sensor log, whose samples are taken for")


def test_copied_captures_without_their_times_are_one_note_that_says_how_to_copy_them(tmp_path: Path) -> None:
    folder = bench_folder(tmp_path / "bench")
    plan = tmp_path / "plan.toml"
    assert frametime("plan", str(folder), "--out", str(plan)).code == 0
    for at, path in enumerate(sorted(folder.rglob("*.csv"))):
        if path.name.endswith("_sensors.csv"):  # without a rise of the load, which would tell
            path.write_text(re.sub(r",\d+\.0,\d+$", ",150.0,60", path.read_text("utf-8"), flags=re.M), "utf-8")
        os.utime(path, (4e9 + at * 0.01, 4e9 + at * 0.01))
    result = review_plan(read_plan(plan), workers=1)
    (caveat,) = [caveat for caveat in result.caveats if "sensor" in caveat.code]
    assert re.search(
        r"^18 of 18 runs: the sensor log cannot be used; the frames count\. Such as .+?: .+?: the log ends \S+ days "
        r"before the capture's file was last changed, and nothing else says when it was recorded; copy files with ",
        caveat.message,
    )
    said = {note.message for run in result.runs for note in run.caveats if note.code == "sensors-unusable"}
    assert len({message.partition(": the log")[2] for message in said}) == 1


def test_sensor_logs_of_another_day_cost_power_alone(tmp_path: Path) -> None:
    folder = bench_folder(tmp_path / "bench")
    plan = tmp_path / "plan.toml"
    assert frametime("plan", str(folder), "--out", str(plan)).code == 0
    text = plan.read_text("utf-8")
    plan.write_text(text.replace("[captures]\n", '[captures]\nrecorded_from = { "*/*/*" = "2026-11-20T10:00:00" }\n'))
    result = review_plan(read_plan(plan), workers=1)
    assert len(result.runs) == 18
    assert powers(result) == [None] * 18
    (caveat,) = [caveat for caveat in result.caveats if "sensor" in caveat.code]
    assert "18 of 18 runs" in caveat.message
    assert "after the capture" in caveat.message
    assert "recorded_from" in caveat.message


def test_one_sensor_log_of_the_evening_serves_every_run(tmp_path: Path) -> None:
    folder = bench_folder(tmp_path / "bench")
    rows = []
    for log in sorted(folder.rglob("*_sensors.csv")):
        header, *lines = log.read_text("utf-8").splitlines()
        rows += lines
        log.unlink()
    for card in CARDS:
        (folder / card / "hw.csv").write_text("\n".join([header, *sorted(rows)]) + "\n", "utf-8")
    begun = EVENING
    for card in CARDS:
        for scene in SCENES:
            for run in (1, 2, 3):
                ended = begun.astimezone().timestamp() + SECONDS
                os.utime(folder / card / scene / f"run{run}.csv", (ended, ended))
                begun += timedelta(seconds=60)
    result = reviewed(folder)
    assert 'sensors = "{card}/hw.csv"' in (tmp_path / "plan.toml").read_text("utf-8")
    assert powers(result) == pytest.approx(
        [power + run for _, power in CARDS.values() for _ in SCENES for run in (1, 2, 3)], rel=0.05
    )


def test_sensor_logs_with_the_day_in_their_names_serve_the_card_in_whose_folder_they_lie(tmp_path: Path) -> None:
    folder = bench_folder(tmp_path / "bench")
    for day, card in enumerate(CARDS, 20):
        header, *_ = (texts := [log.read_text("utf-8") for log in sorted((folder / card).rglob("*_sensors.csv"))])
        for log in (folder / card).rglob("*_sensors.csv"):
            log.unlink()
        rows = sorted(row for text in texts for row in text.splitlines()[1:])
        told = "\n".join([header.splitlines()[0], *rows])
        (folder / card / f"sensors {card} {day}.11.2026.csv").write_text(told + "\n", "utf-8")
    assert frametime("plan", str(folder), "--out", str(tmp_path / "plan.toml")).code == 0
    assert 'sensors = "{card}/sensors {card} *.csv"' in (tmp_path / "plan.toml").read_text("utf-8")
    found = find_runs(read_plan(tmp_path / "plan.toml"))
    assert {run.sensors.parent.name == run.place["card"] for run in found.runs if run.sensors} == {True}
    assert (found.without_sensors, found.not_in_plan, len(found.runs)) == ((), (), 18)


def test_a_pattern_that_fits_no_sensor_log_at_all_is_no_mere_note(tmp_path: Path) -> None:
    folder, plan = bench_folder(tmp_path / "bench"), tmp_path / "plan.toml"
    assert frametime("plan", str(folder), "--out", str(plan)).code == 0
    first, *others = sorted(folder.rglob("*_sensors.csv"))

    def weights() -> list[str]:
        result = review_plan(read_plan(plan), workers=1)
        return [caveat.weight.value for caveat in result.caveats if caveat.code == "runs-without-sensors"]

    assert weights() == []
    first.unlink()
    assert weights() == ["note"]
    for log in others:
        log.unlink()
    assert weights() == ["care"]


def test_two_captures_of_one_number_are_an_error(tmp_path: Path) -> None:
    folder = bench_folder(tmp_path / "bench")
    plan = tmp_path / "plan.toml"
    assert frametime("plan", str(folder), "--out", str(plan)).code == 0
    frame_log(folder / "Amber 6" / "lake" / "run1_copy.csv", 60.0, seed=9)
    outcome = frametime("review", str(plan), "--out", str(tmp_path / "out"))
    assert outcome.code == 3
    assert "both carry the number of run 1" in outcome.err


def session(folder: Path, runs: list[tuple[str, float, float]], *, elapsed: bool = True) -> None:
    """One log for captures made in that order: path, length in s and power of each, with pauses of 4 s."""
    lines, at = ["elapsed_s,board power (W),load (%)"], 0
    for name, seconds, power_w in runs:
        lines += [f"{0.5 * (at + i)},20.0,0" for i in range(8)]
        lines += [f"{0.5 * (at + 8 + i)},{power_w},99" for i in range(int(2 * seconds) + 1)]
        at += 9 + int(2 * seconds)
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("frame_time_ms\n" + "20\n" * int(seconds * 50), "utf-8")
    lines += [f"{0.5 * (at + i)},20.0,0" for i in range(8)]
    (folder / "hw.csv").write_text("\n".join(lines) + "\n", "utf-8")


def session_review(folder: Path) -> ReviewResult:
    result = reviewed(folder)
    assert 'sensors = "hw.csv"' in (folder.parent / "plan.toml").read_text("utf-8")
    return result


def test_runs_of_different_lengths_find_their_place_in_a_log_without_dates(tmp_path: Path) -> None:
    folder = tmp_path / "bench"
    lengths = {"harbor": 12.0, "lake": 20.0, "quarry": 30.0}
    runs = [
        (f"{card}/{scene}/run{run}.csv", seconds + 40.0 * (card == "Brae 7"), 100.0 + seconds + run)
        for run in (1, 2)
        for card in CARDS
        for scene, seconds in lengths.items()
    ]
    session(folder, runs)
    result = session_review(folder)
    truth = {name: power_w for name, _, power_w in runs}
    for run in result.runs:
        assert run.values["average_power_w"] == pytest.approx(truth[run.provenance.file_name], rel=0.01)
    assert "sensor-clocks-by-load" in {caveat.code for caveat in result.caveats}
    # A package holds each capture with the samples of its place: who checks it has no log of the session.
    plan, out, package = (str(tmp_path / name) for name in ("plan.toml", "out", "review.zip"))
    assert frametime("review", plan, "--out", out, "--no-charts", "--no-report").code == 0
    assert frametime("pack", out, "--out", package).code == 0
    assert frametime("verify", package).code == 0


def test_runs_of_one_length_have_a_place_only_where_their_order_is_known(tmp_path: Path) -> None:
    folder = tmp_path / "bench"
    runs = [
        (f"{card}/{scene}/run{run}.csv", 12.0, 100.0 + 10 * run) for run in (1, 2) for card in CARDS for scene in SCENES
    ]
    session(folder, runs)
    assert powers(session_review(folder)) == [None] * 12
    for at, (name, _, _) in enumerate(runs):
        os.utime(folder / name, (1_700_000_000 + 17 * at, 1_700_000_000 + 17 * at))
    result = review_plan(read_plan(tmp_path / "plan.toml"), workers=1)
    truth = {name: power_w for name, _, power_w in runs}
    for run in result.runs:
        assert run.values["average_power_w"] == pytest.approx(truth[run.provenance.file_name], rel=0.01)


def test_last_changes_that_put_some_runs_where_the_card_waits_are_trusted_for_none(tmp_path: Path) -> None:
    folder = bench_folder(tmp_path / "bench")
    rows = []
    for log in sorted(folder.rglob("*_sensors.csv")):
        header, *lines = log.read_text("utf-8").splitlines()
        rows += lines
        log.unlink()
    (folder / "hw.csv").write_text("\n".join([header, *sorted(rows)]) + "\n", "utf-8")
    for at, capture in enumerate(sorted(folder.rglob("run*.csv"))):
        ended = EVENING.astimezone().timestamp() + SECONDS + (60 * at if at % 2 else 47 * at)
        os.utime(capture, (ended, ended))
    assert powers(reviewed(folder)) == [None] * 18
