"""``frametime tune add``: what a log contradicts is refused, the proposed trial is noted in a word, and taken back."""

from __future__ import annotations

import json
import os
from pathlib import Path

import numpy as np
import pytest
from made_captures import ordinary_ms
from run_cli import Done, frametime

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
"""

ENDURANCE = ("add", "--core", "100", "--memory", "200", "--workload", "canyon", "--endurance")


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    (tmp_path / "tuning.toml").write_text(RECORD, "utf-8", newline="\n")
    (tmp_path / "logs").mkdir()
    return tmp_path


def tune(bench: Path, *arguments: str) -> Done:
    return frametime("tune", *arguments, cwd=bench)


def write_run(path: Path, *, minutes: float, spoiled: bool = False, slower: bool = False, seed: int = 1) -> None:
    """A run of 25 ms frames; spoiled by five freezes of 900 ms, 15 % slower in its last fifth."""
    times_ms = ordinary_ms(round(minutes * 2400), level_ms=25.0, spread=0.02, seed=seed)
    if slower:
        times_ms[times_ms.size * 4 // 5 :] *= 1.15
    if spoiled:
        times_ms[np.linspace(100, times_ms.size - 100, 5).astype(int)] = 900.0
    rows = "\n".join(f"{time:.3f}" for time in times_ms)
    path.write_text(f"frame_time_ms\n{rows}\n", "utf-8")


def shown(bench: Path) -> dict[str, object]:
    summary = json.loads(tune(bench, "show", "--json").out)["summary"]
    assert isinstance(summary, dict)
    return summary


@pytest.mark.parametrize(("spoiled", "slower"), [(True, True), (True, False), (False, True)])
def test_a_failed_endurance_run_is_not_certified(bench: Path, spoiled: bool, slower: bool) -> None:
    write_run(bench / "long.csv", minutes=35.0, spoiled=spoiled, slower=slower)
    before = (bench / "tuning.toml").read_bytes()
    refused = tune(bench, *ENDURANCE, "--passed", "--log", "long.csv")
    assert refused.code == 3
    assert "long.csv: the trial is noted as passed, and this log shows" in refused.err
    assert ("freezes: 5 frames over 500 ms" in refused.err) == spoiled
    assert ("drift: 15" in refused.err or "drift: 14" in refused.err) == slower
    assert (bench / "tuning.toml").read_bytes() == before
    noted = tune(bench, *ENDURANCE, "--outcome", "does-not-hold", "--log", "long.csv")
    assert noted.code == 0, noted.err
    assert "counts as failed: does-not-hold" in " ".join(noted.out.split())


def test_an_operator_may_note_a_failure_of_any_log(bench: Path) -> None:
    write_run(bench / "long.csv", minutes=31.0)
    assert tune(bench, *ENDURANCE, "--outcome", "artifacts", "--log", "long.csv").code == 0
    assert shown(bench)["trials"][0]["failure"] == "artifacts"  # type: ignore[index]


def test_a_frozen_trial_is_not_noted_as_passed(bench: Path) -> None:
    write_run(bench / "run.csv", minutes=1.0, spoiled=True)
    refused = tune(bench, "add", "--workload", "canyon", "--passed", "--log", "run.csv")
    assert refused.code == 3
    assert "this log shows 5 frames over 500 ms; the longest frame took 900 ms" in refused.err
    assert "--outcome froze" in refused.err


def test_an_endurance_run_without_a_log_was_seen_and_not_measured(bench: Path) -> None:
    assert tune(bench, *ENDURANCE, "--passed", "--minutes", "45").code == 0
    summary = shown(bench)
    assert summary["endurance"] == "passed the endurance run (seen by the operator, not measured)"
    told = tune(bench, "show").out
    # The outcome is too long for its column: it goes on below, and nothing of it is cut.
    rows = told.partition("  Outcome ")[2].partition("\n\n")[0].splitlines()[2:]
    assert " ".join(" ".join(row.split()) for row in rows).endswith(
        "endurance 45 min 1 n/a n/a n/a seen by the operator, not measured"
    )
    assert max(map(len, rows)) <= 80
    write_run(bench / "long.csv", minutes=31.0)
    assert tune(bench, *ENDURANCE, "--passed", "--log", "long.csv").code == 0
    assert shown(bench)["endurance"] == "passed the endurance run"


def test_a_trial_has_a_least_length(bench: Path) -> None:
    assert "at least 30 seconds" in tune(bench, "next").out
    write_run(bench / "short.csv", minutes=0.3)
    refused = tune(bench, "add", "--workload", "canyon", "--passed", "--log", "short.csv")
    assert refused.code == 3
    assert "the run lasted 0.3 minutes, and 0.5 are needed" in refused.err
    assert "'canyon' in [lengths]" in refused.err
    # Neither does a word help against a log.
    said = tune(bench, *ENDURANCE, "--passed", "--minutes", "45", "--log", "short.csv")
    assert "endurance_min_minutes" in said.err and "give each of its parts with --log" in said.err
    assert tune(bench, "add", "--workload", "canyon", "--outcome", "froze", "--log", "short.csv").code == 0
    assert tune(bench, *ENDURANCE, "--passed", "--minutes", "12").code == 3
    (bench / "tuning.toml").write_text(RECORD.replace("canyon = 0.5", ""), "utf-8", newline="\n")
    assert "at least 3 minutes" in tune(bench, "next").out


def test_the_line_to_note_three_runs_has_room_for_three_logs(bench: Path) -> None:
    proven = '\n[[trials]]\ncore_offset_mhz = {}\nworkload = "canyon"\noutcome = "{}"\naverage_fps = [{}]\n'
    trials = "".join(proven.format(*each) for each in ((0, "passed", 40.0), (25, "passed", 41.0), (50, "froze", 42.0)))
    trials += proven.format(35, "froze", 41.0) + proven.format(40, "froze", 41.0)
    memory = '\n[[trials]]\ncore_offset_mhz = 25\nmemory_offset_mhz = {}\nworkload = "canyon"\noutcome = "froze"\n'
    trials += "".join(memory.format(offset) for offset in (50, 30, 10))
    (bench / "tuning.toml").write_text(RECORD + trials, "utf-8", newline="\n")
    told = tune(bench, "next").out
    assert "run       'canyon', 2 runs, at least 30 seconds each" in told
    assert "--log FILE1 --sensors SENSORS1 --log FILE2 --sensors SENSORS2" in " ".join(told.split())


def test_a_record_kept_by_hand_is_judged_too(bench: Path) -> None:
    write_run(bench / "run.csv", minutes=1.0, spoiled=True)
    trial = '\n[[trials]]\nworkload = "canyon"\noutcome = "passed"\nlogs = ["run.csv"]\n'
    (bench / "tuning.toml").write_text(RECORD + trial, "utf-8", newline="\n")
    summary = shown(bench)
    assert summary["trials"][0]["failure"] == "does-not-hold"  # type: ignore[index]
    assert "trial-log-contradicts" in [caveat["code"] for caveat in summary["caveats"]]  # type: ignore[attr-defined]


def test_the_length_of_an_endurance_run_that_is_noted_by_hand_is_that_of_its_log(bench: Path) -> None:
    write_run(bench / "short.csv", minutes=0.6)
    trial = (
        '\n[[trials]]\nworkload = "canyon"\noutcome = "passed"\nendurance = true\nminutes = 45\nlogs = ["short.csv"]\n'
    )
    (bench / "tuning.toml").write_text(RECORD + trial, "utf-8", newline="\n")
    summary = shown(bench)
    assert summary["trials"][0]["minutes"] == pytest.approx(0.6, abs=0.02)  # type: ignore[index]
    assert summary["endurance"] == "endurance run not passed yet"


def test_the_proposed_trial_is_noted_in_a_word_with_the_newest_log(bench: Path) -> None:
    write_run(bench / "logs" / "older.csv", minutes=0.6, seed=2)
    write_run(bench / "logs" / "newest.csv", minutes=0.6)
    (bench / "logs" / "newest.sensors.csv").write_text(
        "time_s,power_w,temperature_c\n" + "".join(f"{at},200,70\n" for at in range(37)), "utf-8"
    )
    os.utime(bench / "logs" / "older.csv", (1, 1))
    noted = tune(bench, "add", "--passed")
    assert noted.code == 0, noted.err
    assert "Trial 1 is noted in tuning.toml: core +0 MHz, memory +0 MHz, 'canyon', passed." in noted.out
    assert "\n  logs: logs/newest.csv\n" in noted.out
    assert "set       core +25 MHz, memory +0 MHz" in noted.out
    text = (bench / "tuning.toml").read_text("utf-8")
    assert 'sensors = ["logs/newest.sensors.csv"]' in text
    assert "finished before" not in noted.err
    # The next takes what is left, and then there is none.
    old = tune(bench, "add", "--passed")
    assert "logs: logs/older.csv" in old.out
    assert "older.csv: finished before the record was last changed; if it is of another run" in old.err
    none = tune(bench, "add", "--passed")
    assert none.code == 3 and "0 new logs, 1 run asked for" in none.err
    # A failure needs no log: a frozen machine has written none.
    froze = " ".join(tune(bench, "add", "--outcome", "froze").out.split())
    assert "core +50 MHz, memory +0 MHz, 'canyon', counts as failed: froze" in froze
    (bench / "logs" / "monday").mkdir()  # a logger with a folder for each day: 'tune watch' takes it from there too
    write_run(bench / "logs" / "monday" / "late.csv", minutes=0.6, seed=3)
    assert "\n  logs: logs/monday/late.csv\n" in tune(bench, "add", "--passed").out


def test_the_last_trial_is_taken_back_and_the_rest_stays_as_it_was(bench: Path) -> None:
    first = (bench / "tuning.toml").read_bytes()
    assert tune(bench, "add", "--workload", "canyon", "--passed", "--fps", "40").code == 0
    second = (bench / "tuning.toml").read_bytes()
    assert tune(bench, "add", "--outcome", "froze").code == 0
    undone = tune(bench, "undo")
    assert undone.out == "Trial 2 is taken out of tuning.toml: core +25 MHz, memory +0 MHz, 'canyon',\nfroze.\n"
    assert (bench / "tuning.toml").read_bytes() == second
    assert tune(bench, "undo").code == 0
    assert (bench / "tuning.toml").read_bytes() == first
    assert tune(bench, "undo").code == 3


def test_a_trial_that_was_too_hot_is_taken_back_as_one_that_failed(bench: Path) -> None:
    with (bench / "tuning.toml").open("a", encoding="utf-8") as stream:
        stream.write('\n[[trials]]\nworkload = "canyon"\noutcome = "passed"\npeak_temperature_c = 91\n')
    assert tune(bench, "undo").out.endswith("'canyon',\n91 °C, above the limit of 85 °C.\n")


def test_what_stands_after_the_trials_is_not_cut_off(bench: Path) -> None:
    text = RECORD + '\n[[trials]]\nworkload = "canyon"\noutcome = "froze"\n\n[steps]\nrepeats = 5\n'
    (bench / "tuning.toml").write_text(text, "utf-8", newline="\n")
    refused = tune(bench, "undo")
    assert refused.code == 3 and "does not stand at the end" in refused.err
    assert (bench / "tuning.toml").read_text("utf-8") == text
