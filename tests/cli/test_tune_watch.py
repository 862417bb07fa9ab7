"""``frametime tune watch``: logs are judged as they are finished, and two keys say the rest."""

from __future__ import annotations

import contextlib
import os
import select
import subprocess
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from made_captures import ordinary_ms
from run_cli import COMMAND, frametime

from frametime.errors import RecordError
from frametime.pipeline.tuning_record import read_record
from frametime.pipeline.tuning_watch import TuningBench, watch_trials
from frametime.tuning.new_trial import TrialAtHand
from frametime.tuning.proposal import Phase
from frametime.tuning.record import Outcome, Setting

RECORD = """\
logs_folder = "logs"

[card]
name = "Borealis 8"

[limits]
temperature_c = 85
max_core_offset_mhz = 250
max_memory_offset_mhz = 1000

[[workloads]]
name = "canyon"

[lengths]
canyon = 0.5

[steps]
endurance_min_minutes = 1
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "tuning.toml").write_text(RECORD, "utf-8", newline="\n")
    (tmp_path / "logs").mkdir()
    return tmp_path


def bench_of(folder: Path) -> TuningBench:
    return TuningBench(str(folder / "tuning.toml"))


def write_run(path: Path, *, minutes: float = 0.6, spoiled: bool = False, heat_c: float | None = None) -> Path:
    """A run of 25 ms frames, with one freeze of 900 ms where it is spoiled."""
    times_ms = ordinary_ms(round(minutes * 2400), level_ms=25.0, spread=0.02, seed=len(path.name))
    if spoiled:
        times_ms[500] = 900.0
    rows = "\n".join(f"{value:.3f}" for value in times_ms)
    path.write_text(f"frame_time_ms\n{rows}\n", "utf-8")
    if heat_c is not None:
        rows = "".join(f"{at},200,{heat_c}\n" for at in range(round(minutes * 60) + 1))
        path.with_suffix(".sensors.csv").write_text(f"time_s,power_w,temperature_c\n{rows}", "utf-8")
    return path


def trials(folder: Path) -> list[tuple[int, Outcome, int]]:
    found = read_record(str(folder / "tuning.toml")).trials
    return [(trial.setting.core_offset_mhz, trial.outcome, len(trial.logs)) for trial in found]


def test_a_good_run_is_noted_after_two_keys_and_the_next_trial_stands_there(folder: Path) -> None:
    bench = bench_of(folder)
    assert "SET   core +0 MHz, memory +0 MHz" in bench.told()
    asked = bench.finished(write_run(folder / "logs" / "one.csv"))
    assert asked.endswith("Artifacts? y yes, n no, u take back\n")
    assert bench.pressed("n") == "Did it finish? y yes, n no, u take back\n"
    assert trials(folder) == []
    told = bench.pressed("y")
    assert "Trial 1: core +0 MHz, memory +0 MHz, 'canyon', passed." in told
    assert "SET   core +25 MHz, memory +0 MHz" in told
    assert trials(folder) == [(0, Outcome.PASSED, 1)]
    assert len(read_record(str(folder / "tuning.toml")).trials[0].average_fps) == 1


def test_what_was_measured_stands_beside_what_was_noted_and_what_comes_first_before_what_is_set(folder: Path) -> None:
    """90 % of the power was too slow, and the screen said no more than that it had passed: why did it go back?"""
    goal = RECORD.replace("[limits]", "[limits]\npower_w = 200")
    (folder / "tuning.toml").write_text(f'goal = "efficiency"\n{goal}', "utf-8")
    assert "    FIRST all else as delivered, fan on automatic, work saved\n    SET   " in bench_of(folder).told()
    runs = "average_fps = [{0}, {0}, {0}]\naverage_power_w = [{1}, {1}, {1}]\n"
    trial = '[[trials]]\npower_limit_pct = {}\nworkload = "canyon"\noutcome = "passed"\n'
    done = trial.format(100) + runs.format(41.5, 200) + trial.format(95) + runs.format(41, 190)
    (folder / "tuning.toml").write_text(f'goal = "efficiency"\n{goal}{done}', "utf-8")
    bench = bench_of(folder)
    bench.finished(write_run(folder / "logs" / "one.csv", heat_c=70.0))
    bench.pressed("n")
    told = bench.pressed("y")
    assert "passed.\n  average FPS of each run: 40.04\n  average power of each run: 200.0 W\n  peak" in told
    assert "Note: The last trial was too slow: more than 3 % of stock speed is lost at power\nlimit 90 %." in told
    (folder / "tuning.toml").write_text(goal, "utf-8")
    assert "    FIRST power limit at its maximum (200 W), fan on automatic" in bench_of(folder).told()


def test_a_run_whose_temperature_or_power_was_not_measured_is_told_at_once(folder: Path) -> None:
    bench = bench_of(folder)
    bare = bench.finished(write_run(folder / "logs" / "one.csv"))
    assert "nothing wrong in the log. No temperature and no power was measured: does the sensor log run?" in bare
    bench.pressed("u")
    assert "was measured" not in bench.finished(write_run(folder / "logs" / "two.csv", heat_c=70.0))


@pytest.mark.parametrize(
    ("keys", "outcome"), [("y", Outcome.ARTIFACTS), ("nn", Outcome.DID_NOT_FINISH), ("?ny", Outcome.PASSED)]
)
def test_the_answers_are_the_outcome(folder: Path, keys: str, outcome: Outcome) -> None:
    bench = bench_of(folder)
    bench.finished(write_run(folder / "logs" / "one.csv"))
    for key in keys:
        bench.pressed(key)
    assert trials(folder) == [(0, outcome, 1)]


@pytest.mark.parametrize(
    ("run", "outcome", "words"),
    [
        ({"spoiled": True}, Outcome.FROZE, "1 frame over 500 ms"),
        ({"minutes": 0.2}, Outcome.DID_NOT_FINISH, "cut off after 0.2 of 0.5 minutes"),
        ({"heat_c": 91.0}, Outcome.PASSED, "failed: 91 °C, above the limit of 85 °C"),
    ],
)
def test_what_a_log_shows_needs_no_key(folder: Path, run: dict[str, float], outcome: Outcome, words: str) -> None:
    bench = bench_of(folder)
    (sensors,) = [folder / "logs" / "one.sensors.csv"]
    told = bench.finished(write_run(folder / "logs" / "one.csv", **run))
    assert words in told
    assert trials(folder) == [(0, outcome, 1)]
    assert sensors.exists() == ("heat_c" in run)


@pytest.mark.parametrize(
    ("key", "outcome"),
    [("f", Outcome.FROZE), ("D", Outcome.DRIVER_RESET), ("a", Outcome.ARTIFACTS), ("x", Outcome.DID_NOT_FINISH)],
)
def test_a_crash_that_leaves_no_log_is_one_key(folder: Path, key: str, outcome: Outcome) -> None:
    bench = bench_of(folder)
    for answer in "ny?":
        assert bench.pressed(answer) == ""
    bench.pressed(key)
    assert trials(folder) == [(0, outcome, 0)]


@pytest.mark.parametrize(
    ("end", "words"),
    [(b"\0" * 4096, "4,096 zero bytes, as after"), (b"\0", "1 zero byte, as after"), (b"25.1", "('25.1') has no end")],
)
def test_a_log_that_was_not_closed_is_told_before_it_is_asked_whether_it_finished(
    folder: Path, end: bytes, words: str
) -> None:
    bench = bench_of(folder)
    log = write_run(folder / "logs" / "one.csv")
    log.write_bytes(log.read_bytes() + end)
    told = bench.finished(log)
    assert words in told and "nothing wrong" not in told and told.endswith("Artifacts? y yes, n no, u take back\n")
    bench.pressed("n")
    noted = bench.pressed("y")
    assert ("take the trial back:  frametime tune undo\n" in noted) == end.startswith(b"\0")


def test_sensors_that_saw_a_part_of_a_run_are_told_before_it_is_asked_whether_it_finished(folder: Path) -> None:
    """No limit is shown to be kept by them; it was said that nothing was wrong in the log."""
    bench, log = bench_of(folder), folder / "logs" / "one.csv"
    write_run(log, heat_c=70.0)
    sensors = log.with_suffix(".sensors.csv")
    sensors.write_text("".join(sensors.read_text("utf-8").splitlines(keepends=True)[:20]), "utf-8")
    told = bench.finished(log)
    assert "The sensor log covers 50" in told and "nothing wrong" not in told and told.endswith("u take back\n")
    bench.pressed("n")
    assert "The sensor log covers 50" in bench.pressed("y")
    told = bench.finished(write_run(folder / "logs" / "two.csv", heat_c=70.0))
    assert "nothing wrong in the log" in told


def test_a_record_that_cannot_be_read_for_a_moment_costs_no_run(folder: Path) -> None:
    bench, record = bench_of(folder), folder / "tuning.toml"
    bench.finished(write_run(folder / "logs" / "one.csv"))
    bench.pressed("n")
    record.write_text(RECORD.replace("85", ""), "utf-8")  # as an editor leaves it half typed
    told = bench.pressed("y")
    assert "this is not TOML" in told and told.endswith(
        "Nothing is noted yet.\nDid it finish? y yes, n no, u take back\n"
    )
    write_run(folder / "logs" / "two.csv")
    assert [bench.running(now_s) for now_s in (0.0, 31.0)] == ["\r    0.0 of 0.5 min ", "\r    0.5 of 0.5 min "]
    record.write_text(RECORD, "utf-8")
    bench.pressed("y")
    assert trials(folder) == [(0, Outcome.PASSED, 1)]
    record.write_text(RECORD.replace("85", ""), "utf-8")
    told = bench.finished(folder / "logs" / "two.csv")
    assert "'frametime tune add --passed' notes a trial with its newest logs" in told and "record again" not in told
    assert bench.pressed("f").partition("\n")[2] == "Nothing is noted yet.\n", "a key without a log asks nothing"


def test_what_cannot_be_noted_keeps_its_runs_and_its_keys(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The minutes of a long test of several runs, and a freeze that was seen; the log of a failure is asked about."""
    bench, record = bench_of(folder), folder / "tuning.toml"
    bench._at_hand = TrialAtHand(replace(bench.step, minutes=1.6, phase=Phase.ENDURANCE))
    bench.finished(write_run(folder / "logs" / "one.csv"))
    record.write_text(RECORD.replace("85", ""), "utf-8")
    assert bench.pressed("f").endswith("Nothing is noted yet.\n")
    assert list(bench._at_hand.runs.values()) == [pytest.approx(0.6, abs=0.02)]
    record.write_text(RECORD, "utf-8")
    bench.pressed("f")
    assert trials(folder) == [(0, Outcome.FROZE, 1)]
    record.write_text(RECORD, "utf-8")
    bench = bench_of(folder)
    with monkeypatch.context() as patch:
        patch.setattr("frametime.pipeline.tuning_record.note_trial", _refusing)
        told = bench.finished(write_run(folder / "logs" / "two.csv", spoiled=True))
    assert told.endswith("Nothing is noted yet.\nArtifacts? y yes, n no, u take back\n")
    for key in "nn":
        bench.pressed(key)
    assert trials(folder) == [(0, Outcome.DID_NOT_FINISH, 1)]


def _refusing(*_: object) -> None:
    raise RecordError.at("tuning.toml", "it has changed")


def test_a_limit_that_is_lowered_counts_at_once_and_a_run_of_another_setting_for_no_trial(folder: Path) -> None:
    bench, record = bench_of(folder), folder / "tuning.toml"
    assert bench.running(0.0) == ""
    for name in ("one", "two"):
        bench.finished(write_run(folder / "logs" / f"{name}.csv"))
        for key in "ny":
            told = bench.pressed(key)
    assert "SET   core +50 MHz" in told and bench.running(1.0) == ""
    lowered = record.read_text("utf-8").replace("max_core_offset_mhz = 250", "max_core_offset_mhz = 40")
    record.write_text(lowered, "utf-8")
    told = bench.running(2.0)
    assert told.startswith("\nThe record was changed.\n\nNEXT TRIAL") and "SET   core +40 MHz" in told
    assert bench.running(3.0) == ""
    write_run(folder / "logs" / "three.csv")
    record.write_text(lowered.replace("= 40", "= 250"), "utf-8")
    assert bench.running(4.0).startswith("\r"), "a run that is being made is of the setting that was asked for"
    bench.finished(folder / "logs" / "three.csv")
    assert bench.running(5.0) == ""
    for key in "ny":
        bench.pressed(key)
    assert trials(folder)[-1] == (40, Outcome.PASSED, 1)
    told = bench.pressed("u")
    assert "Taken back: core +40 MHz" in told and "SET   core +50 MHz" in told and "Did it finish?" not in told
    record.write_text("[card", "utf-8")
    assert "this is not TOML" in bench.running(6.0) and bench.running(7.0) == ""


def test_runs_of_a_trial_that_has_not_ended_are_named_at_the_end(folder: Path) -> None:
    bench = bench_of(folder)
    assert bench.left() == ""
    bench.finished(write_run(folder / "logs" / "one.csv"))
    *_, told = watch_trials(bench, lambda: "q")
    assert told == "Not noted, for the trial has not ended: one.csv ('frametime tune add' with --log notes it)\n"


def test_a_log_that_takes_the_place_of_another_is_told_at_once(folder: Path) -> None:
    """A logger that writes one name again and again: three runs counted as one without a word."""
    bench, log = bench_of(folder), folder / "logs" / "one.csv"
    assert bench.step.n_runs == 1
    bench._at_hand = TrialAtHand(replace(bench.step, n_runs=3))
    assert "in place of" not in bench.finished(write_run(log))
    told = bench.finished(write_run(log, minutes=0.7))
    assert "run 1 of 3 so far" in told and "This log stands in place of what it was before" in told
    log.write_bytes(write_run(log).read_bytes() + bytes(9))
    told = bench.finished(log)
    assert "Left out at the end: 9 zero bytes" in told
    assert ".." not in told and "zero bytes, as after a loss of power. This log stands in" in told
    bench = bench_of(folder)
    bench.finished(write_run(log))
    for key in "ny":
        bench.pressed(key)
    told = bench.finished(write_run(log, minutes=0.7))
    assert "this log is in the record already, with trial 1" in told and "Artifacts?" not in told
    assert trials(folder) == [(0, Outcome.PASSED, 1)]


def test_every_answer_can_be_taken_back(folder: Path) -> None:
    bench = bench_of(folder)
    before = (folder / "tuning.toml").read_bytes()
    bench.finished(write_run(folder / "logs" / "one.csv"))
    bench.pressed("n")
    assert bench.pressed("u").startswith("Artifacts?")
    bench.pressed("y")
    assert trials(folder) == [(0, Outcome.ARTIFACTS, 1)]
    assert bench.pressed("u").endswith("Artifacts? y yes, n no, u take back\n")
    assert (folder / "tuning.toml").read_bytes() == before
    for key in "ny":
        bench.pressed(key)
    assert trials(folder) == [(0, Outcome.PASSED, 1)]
    assert bench.pressed("u").endswith("Did it finish? y yes, n no, u take back\n")
    bench.pressed("u")
    assert bench.pressed("u") == "one.csv is taken back: it counts for no trial.\n"
    assert "no trial to take back" in bench.pressed("u")
    assert bench.finished(folder / "logs" / "one.csv") == ""


def test_a_failure_that_a_log_showed_is_taken_back_without_a_question(folder: Path) -> None:
    bench = bench_of(folder)
    bench.finished(write_run(folder / "logs" / "one.csv", minutes=0.2))
    assert "?" not in bench.pressed("u").split("NEXT TRIAL")[1]
    assert trials(folder) == []


@pytest.mark.parametrize("end", ["a log that ends too early", "a wrong key"])
def test_runs_before_the_one_that_is_taken_back_still_count(folder: Path, end: str) -> None:
    """Who ended a run is told to take it back: with it went all runs before it, 20 minutes of a long one."""
    stock = '[[trials]]\nworkload = "canyon"\noutcome = "passed"\naverage_fps = [40.0]\n'
    record = RECORD.replace("= 250", "= 0").replace("= 1000", "= 0")
    (folder / "tuning.toml").write_text(f"{record}repeats = 1\n{stock}", "utf-8")
    bench = bench_of(folder)
    assert bench.step.is_endurance
    assert "0.6 of 1 minutes so far" in bench.finished(write_run(folder / "logs" / "part1.csv"))
    if end == "a wrong key":
        assert "failed: froze" in bench.pressed("f")
    else:
        assert "take it back: u" in bench.finished(write_run(folder / "logs" / "part2.csv", minutes=0.2))
    told = bench.pressed("u")
    assert told.endswith("Still counted: part1.csv.\n"), told
    told = bench.finished(write_run(folder / "logs" / "part3.csv"))
    assert "1.2 of 1 minutes so far" in told and told.endswith("Artifacts? y yes, n no, u take back\n")
    for key in "nyuuu":
        told = bench.pressed(key)
    assert told == "part3.csv is taken back: it counts for no trial.\n"
    assert "1.2 of 1 minutes so far" in bench.finished(write_run(folder / "logs" / "part4.csv")), "minutes are kept"


def test_a_sensor_log_that_comes_after_its_frames_is_taken_with_them(folder: Path) -> None:
    bench = bench_of(folder)
    bench.finished(write_run(folder / "logs" / "one.csv"))
    write_run(folder / "logs" / "one.csv", heat_c=70.0)
    assert bench.finished(folder / "logs" / "one.sensors.csv") == ""
    for key in "ny":
        bench.pressed(key)
    assert read_record(str(folder / "tuning.toml")).trials[0].peak_temperature_c == 70.0


def test_logs_that_lay_there_and_logs_between_two_answers_are_left_alone(folder: Path) -> None:
    old = write_run(folder / "logs" / "old.csv")
    bench = bench_of(folder)
    assert bench.finished(old) == ""
    bench.finished(write_run(folder / "logs" / "one.csv"))
    told = bench.finished(write_run(folder / "logs" / "two.csv"))
    assert "two.csv is left alone: answer first.\nArtifacts? y yes, n no" in told
    unreadable = folder / "logs" / "three.csv"
    unreadable.write_text("no,frames\n1,2\n", "utf-8")
    for key in "ny":
        bench.pressed(key)
    assert bench.step.setting == Setting(core_offset_mhz=25)
    bench.finished(unreadable)
    assert trials(folder) == [(0, Outcome.PASSED, 1)]


def test_all_runs_of_a_trial_are_collected_before_anything_is_asked(folder: Path) -> None:
    (folder / "tuning.toml").write_text(RECORD + 'search = "halving"\n', "utf-8")
    bench = bench_of(folder)
    first = bench.finished(write_run(folder / "logs" / "a.csv"))
    assert "run 1 of 3" in first and "Artifacts" not in first
    bench.finished(write_run(folder / "logs" / "bb.csv"))
    assert "Artifacts?" in bench.finished(write_run(folder / "logs" / "ccc.csv"))
    for key in "ny":
        bench.pressed(key)
    assert trials(folder) == [(0, Outcome.PASSED, 3)]


def test_several_runs_in_turn_are_one_endurance_run(folder: Path) -> None:
    passed = '[[trials]]\nworkload = "canyon"\noutcome = "passed"\n'
    failed = '[[trials]]\n{} = {}\nworkload = "canyon"\noutcome = "froze"\n'
    steps = [("core_offset_mhz", at) for at in (5, 15, 25)] + [("memory_offset_mhz", at) for at in (10, 30, 50)]
    (folder / "tuning.toml").write_text(RECORD + passed + "".join(failed.format(*step) for step in steps), "utf-8")
    bench = bench_of(folder)
    assert "NEXT TRIAL: endurance" in bench.told()
    first = bench.finished(write_run(folder / "logs" / "a.csv"))
    assert "0.6 of 1 minutes so far" in first and "Artifacts" not in first
    write_run(folder / "logs" / "bb.csv")
    assert [bench.running(at_s) for at_s in (100.0, 106.0)] == ["\r    0.6 of 1 min ", "\r    0.7 of 1 min "]
    assert "Artifacts?" in bench.finished(write_run(folder / "logs" / "bb.csv"))
    for key in "ny":
        bench.pressed(key)
    trial = read_record(str(folder / "tuning.toml")).trials[-1]
    assert (trial.is_endurance, trial.outcome, len(trial.logs)) == (True, Outcome.PASSED, 2)
    assert trial.minutes == pytest.approx(1.2, abs=0.02)


def test_a_log_that_grows_is_counted(folder: Path) -> None:
    bench = bench_of(folder)
    assert bench.running(100.0) == ""
    write_run(folder / "logs" / "one.csv")
    assert bench.running(100.0) == "\r    0.0 of 0.5 min "
    assert bench.running(118.0) == "\r    0.3 of 0.5 min "
    bench.finished(folder / "logs" / "one.csv")
    assert bench.running(120.0) == ""
    (folder / "logs").rename(folder / "away")
    assert bench.running(121.0) == "", "a folder that is gone may come back, as one of a network does"


@pytest.mark.parametrize(
    ("run", "words"),
    [({"spoiled": True}, "1 frame over 500 ms"), ({"heat_c": 91.0}, "91 °C, above the limit of 85 °C"), ({}, "")],
)
def test_a_run_that_has_failed_is_told_while_its_log_grows(folder: Path, run: dict[str, float], words: str) -> None:
    """Once, 30 s after the log was first seen, and nothing is noted before the log is finished.

    The log of 24 s that was read at 130 s is the count from there on.
    """
    bench = bench_of(folder)
    log = write_run(folder / "logs" / "one.csv", minutes=0.4, **run)
    with log.open("a", encoding="utf-8", newline="\n") as stream:
        stream.write("25.0")  # the line that is being written
    assert bench.running(100.0) == "\r    0.0 of 0.5 min "
    told = bench.running(130.0)
    assert ("one.csv has failed already" in told and words in told) if words else told.startswith("\r")
    assert bench.running(136.0) == "\r    0.5 of 0.5 min "
    assert trials(folder) == []


def test_a_freeze_is_told_of_a_log_that_is_written_all_the_time(folder: Path) -> None:
    bench, stop = bench_of(folder), threading.Event()
    log = write_run(folder / "logs" / "one.csv", spoiled=True)
    (folder / "logs" / "a-sensor.csv").write_text("time_s,power_w,temperature_c\n0,200,70\n1,200,70\n", "utf-8")

    def write() -> None:
        with log.open("a", encoding="utf-8", newline="\n") as stream:
            while not stop.wait(0.001):
                print("25.0", file=stream, flush=True)

    writing = threading.Thread(target=write)
    writing.start()
    try:
        bench.running(100.0)
        assert "one.csv has failed already: 1 frame over 500 ms" in bench.running(130.0)
    finally:
        stop.set()
        writing.join()


def test_a_log_that_grows_when_the_watch_begins_is_not_taken_for_a_finished_run(folder: Path) -> None:
    log, stop = write_run(folder / "logs" / "one.csv", minutes=0.2), threading.Event()
    bench = bench_of(folder)
    with log.open("a", encoding="utf-8", newline="\n") as stream:
        stream.write("25.0\n")

    def end() -> str:
        stop.wait(2.0)
        return ""

    assert "0.0 of 0.5 min" in list(watch_trials(bench, end, settle_s=30.0, stop=stop))[-1]
    assert trials(folder) == []


def test_it_needs_a_terminal_and_a_folder(folder: Path) -> None:
    done = frametime("tune", "watch", cwd=folder)
    assert done.code == 2 and "'frametime tune add' notes a trial without one" in done.err
    text = (folder / "tuning.toml").read_text("utf-8")
    (folder / "tuning.toml").write_text(text.replace('logs_folder = "logs"\n', ""), "utf-8")
    with pytest.raises(Exception, match="logs_folder is not given"):
        bench_of(folder)


@pytest.mark.skipif(sys.platform == "win32", reason="there is no pseudo terminal")
def test_a_terminal_a_log_and_two_keys(folder: Path) -> None:
    """As at the bench: the program on a pseudo terminal, a log written beside it, keys pressed when it asks."""
    import pty

    ours, its = pty.openpty()
    process = subprocess.Popen(
        [*COMMAND, "tune", "watch", "--settle", "0.2"], cwd=folder, stdin=its, stdout=its, stderr=its
    )
    os.close(its)
    shown = ""

    def until(words: str, keys: bytes = b"") -> None:
        """Press keys, and wait until words are shown after it."""
        nonlocal shown
        start, ends_s = len(shown), time.monotonic() + 40.0
        os.write(ours, keys)
        while words not in shown[start:]:
            assert time.monotonic() < ends_s, shown
            if select.select([ours], [], [], 1.0)[0]:
                shown += os.read(ours, 4096).decode("utf-8", "replace")

    try:
        until("limit and no fan.")
        write_run(folder / "logs" / "one.csv")
        until("Artifacts?")
        until("Did it finish?", b"n")
        until("SET   core +25 MHz, memory +0 MHz", b"y")
        until("Taken back", b"u")
        until("SET   core +25 MHz, memory +0 MHz", b"y")
        os.write(ours, b"q")
        with contextlib.suppress(OSError):  # how Linux tells that nobody writes any more
            while select.select([ours], [], [], 20.0)[0] and (more := os.read(ours, 4096)):
                shown += more.decode("utf-8", "replace")
        assert process.wait(30) == 0
    finally:
        process.kill()
        process.wait()
        os.close(ours)
    assert trials(folder) == [(0, Outcome.PASSED, 1)]
    assert np.all([line.endswith("\r") for line in shown.split("\n")[:-1]])


def test_a_sensor_log_that_is_finished_is_not_taken_for_a_run_that_goes_on(folder: Path) -> None:
    bench = bench_of(folder)
    log = write_run(folder / "logs" / "one.csv", heat_c=70.0)
    assert bench.running(100.0) == "\r    0.0 of 0.5 min "
    assert bench.finished(log).endswith("u take back\n")
    assert bench.finished(log.with_suffix(".sensors.csv")) == ""
    assert bench.running(103.0) == ""


def test_what_is_told_after_the_count_begins_a_line_of_its_own(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bench, is_counting = bench_of(folder), threading.Event()

    def counts(_: float) -> str:
        is_counting.set()
        return "\r    0.1 of 0.5 min "

    def keys() -> str:
        is_counting.wait(20.0)
        return next(pressed)

    pressed = iter(("z", "f", ""))
    monkeypatch.setattr(bench, "running", counts)
    told = list(watch_trials(bench, keys))
    at = next(place for place, text in enumerate(told) if "froze" in text and "Trial 1" in text)
    assert told[at].startswith("\nTrial 1") and told[1].startswith("\r") and not told[0].startswith("\n")
