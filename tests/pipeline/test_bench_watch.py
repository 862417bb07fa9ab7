"""The bench's second screen: runs of a plan as they are made, beside the others, and which comes next."""

from __future__ import annotations

import os
import threading
from _thread import interrupt_main
from collections.abc import Iterator
from contextlib import nullcontext
from datetime import datetime, timedelta
from pathlib import Path

import click
import numpy as np
import pytest

from frametime.adapters.base import ReadOptions
from frametime.adapters.reading import read_capture
from frametime.cli.watch import watch
from frametime.pipeline import watching
from frametime.pipeline.measuring import measure_one
from frametime.pipeline.watching import BenchReport, watch_plan
from frametime.plans.plan import ReviewPlan, read_plan
from frametime.render.review_text import newest_run_text

PLAN = """
title = "Two cards"
baseline = "amber"
resolutions = ["1440p"]
runs = 2
metrics = ["average_fps"]
[captures]
folder = "captures"
pattern = "{card}/{scene}/run{run}.csv"
sensors = "{card}/{scene}/run{run}.sensors.csv"
[[cards]]
key = "amber"
[[cards]]
key = "birch"
[[scenes]]
key = "harbor"
"""


def write(path: Path, frame_time_ms: float) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    noise = np.random.default_rng(len(path.parts)).normal(0.0, 0.05, 2000)
    rows = "\n".join(f"{value:.4f}" for value in frame_time_ms + noise)
    path.write_text(f"frame_time_ms\n{rows}\n")


@pytest.fixture
def plan(tmp_path: Path) -> ReviewPlan:
    (tmp_path / "plan.toml").write_text(PLAN)
    write(tmp_path / "captures" / "amber" / "harbor" / "run1.csv", 10.0)
    return read_plan(tmp_path / "plan.toml")


@pytest.fixture
def quickly(monkeypatch: pytest.MonkeyPatch) -> None:
    """The folder is looked through without a rest, and no process is started to measure in."""
    monkeypatch.setattr(watching, "_POLL_S", 0.02)
    monkeypatch.setattr(watching, "measuring_apart", lambda _limits: nullcontext(measure_one))


def begin(plan: ReviewPlan) -> tuple[Iterator[BenchReport], threading.Event]:
    """Reports, none after a minute, and what ends them."""
    stop = threading.Event()
    end = threading.Timer(60.0, stop.set)
    end.daemon = True
    end.start()
    return watch_plan(plan, settle_s=0.05, stop=stop), stop


def test_runs_are_told_as_they_are_made(plan: ReviewPlan) -> None:
    reports, stop = begin(plan)
    start = next(reports)
    assert start.coverage is not None and start.coverage.n_usable == 1
    assert start.next_run is not None and (start.next_run.card, start.next_run.run) == ("amber", "2")
    write(plan.captures.folder / "amber" / "harbor" / "run2.csv", 10.4)
    second = next(reports).newest
    assert second is not None and second.n_others == 1
    assert second.others_pct == pytest.approx(100.0 * (10.0 / 10.4 - 1.0), abs=0.2)
    assert second.next_run is not None and (second.next_run.card, second.next_run.run) == ("birch", "1")
    assert (
        newest_run_text(plan.design, second)
        .splitlines()[-1]
        .startswith("Swap cards. Next: birch, harbor at 1440p, run 1")
    )
    stop.set()


@pytest.mark.usefixtures("quickly")
def test_a_copy_of_a_run_is_told_at_the_start_and_as_it_comes(plan: ReviewPlan) -> None:
    """Two runs of the same bytes scatter by nothing: the card would look surer than it is."""
    folder = plan.captures.folder / "amber" / "harbor"
    write(plan.captures.folder / "birch" / "harbor" / "run1.csv", 9.0)
    first = (folder / "run1.csv").read_bytes()
    (folder / "run2.csv").write_bytes(first)
    same = "The runs amber/harbor/1440p/1 and amber/harbor/1440p/2 hold the same bytes: one of them is a copy."
    reports, stop = begin(plan)
    assert next(reports).message == same
    assert next(reports).coverage is not None
    write(folder / "run2.csv", 10.4)
    assert next(reports).newest is not None
    (plan.captures.folder / "birch" / "harbor" / "run2.csv").write_bytes(first)
    assert next(reports).newest is not None
    assert next(reports).message == same.replace("amber/harbor/1440p/2", "birch/harbor/1440p/2")
    stop.set()


@pytest.mark.usefixtures("quickly")
def test_a_sensor_log_that_comes_later_has_its_run_told_again(plan: ReviewPlan) -> None:
    reports, stop = begin(plan)
    next(reports)
    rows = "\n".join(f"{second},{200 + second % 3}" for second in range(25))
    (plan.captures.folder / "amber" / "harbor" / "run1.sensors.csv").write_text(f"time_s,power_w\n{rows}\n")
    again = next(reports).newest
    assert again is not None
    assert " W" in newest_run_text(plan.design, again)
    stop.set()


@pytest.mark.usefixtures("quickly")
def test_a_sensor_log_beside_its_capture_does_not_tell_the_run_twice(plan: ReviewPlan) -> None:
    reports, stop = begin(plan)
    next(reports)
    folder = plan.captures.folder / "amber" / "harbor"
    made = plan.captures.folder.parent / "made"
    write(made / "run2.csv", 10.4)
    (made / "run2.sensors.csv").write_text("time_s,power_w\n" + "\n".join(f"{second},200" for second in range(25)))
    for name in ("run2.sensors.csv", "run2.csv"):
        (made / name).rename(folder / name)
    assert next(reports).newest is not None
    write(folder / "run1.csv", 10.1)
    again = next(reports).newest
    assert again is not None and again.run.run == "1"
    stop.set()


@pytest.mark.usefixtures("quickly")
def test_a_run_that_cannot_be_read_or_is_not_in_the_plan_does_not_end_it(plan: ReviewPlan) -> None:
    reports, stop = begin(plan)
    next(reports)
    folder = plan.captures.folder
    (folder / "amber" / "harbor" / "run2.csv").write_text("frame_time_ms\nnot,a,number\n")
    broken = next(reports).newest
    assert broken is not None and broken.next_run is not None
    assert broken.next_run.reason == "unreadable"
    write(folder / "cedar" / "harbor" / "run1.csv", 9.0)
    assert next(reports).message == (
        "1 file (cedar/harbor/run1.csv) fits the path pattern, but card, scene or resolution are not in the plan."
    )
    write(folder / "amber" / "harbor" / "run2.csv", 10.1)
    mended = next(reports).newest
    assert mended is not None and mended.coverage.n_usable == 2
    write(folder / "cedar" / "harbor" / "run2.csv", 9.0)
    told = next(reports).message
    assert told is not None and told.startswith("1 file (cedar/harbor/run2.csv)"), "each is told once"
    stop.set()


@pytest.mark.usefixtures("quickly")
def test_a_layout_that_is_kept_later_has_its_runs_told_again(plan: ReviewPlan) -> None:
    log = plan.captures.folder / "amber" / "harbor" / "run1.csv"
    log.write_text("frame time\n" + "500\n510\n" * 200)
    reports, stop = begin(plan)
    start = next(reports)
    assert start.coverage is not None and start.coverage.n_usable == 0
    read_capture(log, options=ReadOptions(unit="us", remember=True))
    again = next(reports).newest
    assert again is not None and "harbor" in newest_run_text(plan.design, again)
    stop.set()


@pytest.mark.usefixtures("quickly")
def test_captures_that_lie_there_and_are_not_in_the_plan_are_told_in_one_line(plan: ReviewPlan) -> None:
    for run in range(1, 7):
        write(plan.captures.folder / "cedar" / "harbor" / f"run{run}.csv", 9.0)
    reports, stop = begin(plan)
    told = next(reports).message
    assert told is not None and told.startswith("6 files (cedar/harbor/run1.csv, ")
    assert next(reports).coverage is not None
    write(plan.captures.folder / "amber" / "harbor" / "run2.csv", 10.4)
    assert next(reports).newest is not None
    stop.set()


@pytest.mark.usefixtures("quickly")
def test_a_run_that_the_plan_leaves_out_is_told_and_does_not_count(tmp_path: Path) -> None:
    """By a name with a star; and one of which there is no capture yet stops nothing."""
    excluded = "".join(
        f'[[exclude]]\nrun = "{run}"\nreason = "an update ran"\n' for run in ("amber/harbor/*/1", "birch/*/*/9")
    )
    (tmp_path / "plan.toml").write_text(PLAN + excluded)
    plan = read_plan(tmp_path / "plan.toml")
    folder = plan.captures.folder / "amber" / "harbor"
    write(folder / "run2.csv", 10.0)
    reports, stop = begin(plan)
    start = next(reports).coverage
    assert start is not None and start.n_usable == 1
    write(folder / "run1.csv", 13.0)
    first = next(reports).newest
    assert first is not None and first.coverage.n_usable == 1
    assert "The plan leaves it out: an update ran" in newest_run_text(plan.design, first)
    write(folder / "run3.csv", 10.1)
    third = next(reports).newest
    assert third is not None and (third.n_others, third.left_out) == (1, None)
    assert third.next_run is not None and third.next_run.card == "birch"
    stop.set()


@pytest.mark.usefixtures("quickly")
def test_a_run_that_is_deleted_or_renamed_counts_no_longer(plan: ReviewPlan) -> None:
    """A spoiled run that is thrown away has to be made again, and a run is not two for its new name."""
    folder = plan.captures.folder / "amber" / "harbor"
    write(folder / "run2.csv", 10.4)
    first = (folder / "run1.csv").read_bytes()
    reports, stop = begin(plan)
    assert next(reports).coverage is not None
    (folder / "run2.csv").unlink()
    assert next(reports).message == "no longer there, and no longer counted: amber/harbor/1440p/2"
    left = next(reports)
    assert left.coverage is not None and left.coverage.n_usable == 1
    assert left.next_run is not None and (left.next_run.card, left.next_run.run) == ("amber", "2")
    (folder / "run1.csv").rename(folder / "run3.csv")
    assert next(reports).message == "no longer there, and no longer counted: amber/harbor/1440p/1"
    assert next(reports).coverage is not None
    renamed = next(reports).newest
    assert renamed is not None and (renamed.run.run, renamed.n_others) == ("3", 0)
    (folder / "run3.csv").rename(folder.parent / "run3.part")
    assert "no longer there" in str(next(reports).message) and next(reports).coverage is not None
    (folder.parent / "run3.part").rename(folder / "run3.csv")
    back = next(reports).newest
    assert back is not None and back.coverage.n_usable == 1, "it came back as it was"
    assert (folder / "run3.csv").read_bytes() == first
    stop.set()


@pytest.mark.usefixtures("quickly")
def test_a_run_that_came_while_two_files_had_one_number_is_told_when_one_is_removed(plan: ReviewPlan) -> None:
    reports, stop = begin(plan)
    next(reports)
    folder = plan.captures.folder / "amber" / "harbor"
    write(folder / "run1 (1).csv", 10.2)
    assert "both carry the number" in str(next(reports).message)
    write(folder / "run2.csv", 10.4)
    assert "both carry the number" in str(next(reports).message)
    (folder / "run1 (1).csv").unlink()
    second = next(reports).newest
    assert second is not None and second.run.run == "2"
    stop.set()


def log_of_the_evening(n_s: int) -> str:
    """Two runs of 20 s with rests: what a log of both holds after so many seconds."""
    powers = ([20.0] * 10 + [200.0] * 20) * 2 + [20.0] * 30
    begun = datetime.fromisoformat("2026-11-25T09:00:00+00:00")
    rows = (f"{(begun + timedelta(seconds=i)).isoformat()},{power}\n" for i, power in enumerate(powers[:n_s]))
    return "time,power_w\n" + "".join(rows)


@pytest.mark.usefixtures("quickly")
def test_a_sensor_log_that_grows_has_only_the_runs_told_again_that_lacked_it(tmp_path: Path) -> None:
    """One log of the evening is written all the time: each of its lines had all runs measured and told again."""
    (tmp_path / "plan.toml").write_text(PLAN.replace("run{run}.sensors.csv", "evening.csv"))
    plan = read_plan(tmp_path / "plan.toml")
    folder = plan.captures.folder / "amber" / "harbor"
    for run, begun_s in ((1, 10), (2, 40)):
        write(folder / f"run{run}.csv", 10.0 + run / 1000)
        ended_s = 1795597200 + begun_s + 20
        os.utime(folder / f"run{run}.csv", (ended_s, ended_s))
    (folder / "evening.csv").write_text(log_of_the_evening(50))
    reports, stop = begin(plan)
    assert next(reports).coverage is not None
    (folder / "evening.csv").write_text(log_of_the_evening(62))
    second = next(reports).newest
    assert second is not None and second.run.run == "2" and " W" in newest_run_text(plan.design, second)
    (folder / "evening.csv").write_text(log_of_the_evening(80))
    write(folder / "run3.csv", 10.0)
    third = next(reports).newest
    assert third is not None and third.run.run == "3"
    (folder / "evening.csv").write_text(log_of_the_evening(90))
    write(folder / "run4.csv", 10.0)
    fourth = next(reports).newest
    assert fourth is not None and fourth.run.run == "4"
    stop.set()


@pytest.mark.usefixtures("quickly")
def test_a_sensor_log_that_is_replaced_or_deleted_has_its_run_told_again(plan: ReviewPlan) -> None:
    log = plan.captures.folder / "amber" / "harbor" / "run1.sensors.csv"
    log.write_text("time_s,power_w\n" + "\n".join(f"{second},200" for second in range(25)))
    reports, stop = begin(plan)
    assert next(reports).coverage is not None
    log.write_text("time_s,power_w\n" + "\n".join(f"{second},250" for second in range(25)))  # as long as before
    again = next(reports).newest
    assert again is not None and "250 W" in newest_run_text(plan.design, again)
    log.unlink()
    again = next(reports).newest
    assert again is not None and again.run.run == "1"
    assert " W" not in newest_run_text(plan.design, again)
    stop.set()


@pytest.mark.usefixtures("quickly")
def test_an_edited_plan_ends_the_watch_once_it_can_be_read(plan: ReviewPlan) -> None:
    write(plan.captures.folder / "amber" / "mill" / "run1.csv", 12.0)
    file = Path(plan.file_name)
    reports, _ = begin(plan)
    assert "are not in the plan" in str(next(reports).message)
    start = next(reports).coverage
    assert start is not None and (start.n_planned, start.n_usable) == (4, 1)

    file.write_text(PLAN.replace("runs = 2", "runs = 0"))
    wrong = str(next(reports).message)
    assert "runs" in wrong and wrong.endswith("; the plan as it was counts on")
    file.write_text(PLAN.replace("[captures]", '[captures]\nlayout = "absent.toml"'))
    assert "absent.toml" in str(next(reports).message)
    write(plan.captures.folder / "amber" / "harbor" / "run2.csv", 10.4)
    second = next(reports).newest
    assert second is not None and second.n_others == 1
    file.write_text(PLAN.replace('"captures"', '"elsewhere"'))
    wrong = str(next(reports).message)
    assert "elsewhere" in wrong and wrong.endswith("; the plan as it was counts on")

    file.write_text(f'{PLAN.replace("runs = 2", "runs = 3")}[[scenes]]\nkey = "mill"\n')
    assert [report.message for report in reports] == [f"{file}: this plan was changed, and is read again"]


def test_the_command_reads_the_logs_of_a_plan_as_a_review_does(
    plan: ReviewPlan, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Card, zone and place of a sensor log that is none of the plan's are those of the command line."""
    taken: list[ReviewPlan] = []

    def watched(own: ReviewPlan, **_more: object) -> Iterator[BenchReport]:
        taken.append(own)
        raise KeyboardInterrupt

    monkeypatch.setattr(watching, "watch_plan", watched)
    with pytest.raises(click.Abort):
        watch.main(
            [plan.file_name, "--sensor-device", "2", "--sensor-zone", "UTC", "--max-rejected", "3"],
            standalone_mode=False,
        )
    (own,) = taken
    assert own.sensors is not None and (own.sensors.device, own.sensors.time_zone) == ("2", "UTC")
    assert own.read is not None and own.read.max_rejected_fraction == 0.03


@pytest.mark.usefixtures("quickly")
def test_the_command_goes_on_with_the_edited_plan(plan: ReviewPlan, monkeypatch: pytest.MonkeyPatch) -> None:
    """A card that the plan names now has its label, and the run of a scene that is new in it counts."""
    write(plan.captures.folder / "amber" / "mill" / "run1.csv", 12.0)
    file, told = Path(plan.file_name), [""]
    more = '[[scenes]]\nkey = "mill"\n[[cards]]\nkey = "cedar"\nlabel = "Cedar 9"\n'

    def echo(text: str, **_to: object) -> None:
        told.append(text)
        if "1 run there" in text:
            file.write_text(f"{PLAN}{more}")
        if "2 runs there" in text:
            write(plan.captures.folder / "cedar" / "harbor" / "run1.csv", 9.0)
        if told[-1].startswith("Cedar 9, harbor at 1440p, run 1: "):
            raise KeyboardInterrupt

    monkeypatch.setattr("click.echo", echo)
    end = threading.Timer(30.0, interrupt_main)
    end.start()
    with pytest.raises(click.Abort):
        watch.main([str(file), "--settle", "0.05"], standalone_mode=False)
    end.cancel()
    assert told[-1].startswith("Cedar 9, harbor at 1440p, run 1: "), told
