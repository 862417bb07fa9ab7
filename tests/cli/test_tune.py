"""``frametime tune`` as a shell sees it."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from log_files import write_log
from run_cli import Done, frametime

from frametime.tuning.record import CAUTION, CAUTIONS

RECORDED = Path(__file__).parents[1] / "reference" / "data" / "recorded_sensors"
RECORD = """\
[card]
name = "Borealis 8"

[limits]
temperature_c = 85
max_core_offset_mhz = 250
max_memory_offset_mhz = 1000
power_w = 260

[[workloads]]
name = "courtyard"

[[workloads]]
name = "canyon"

[lengths]  # the recorded runs last ten seconds
courtyard = 0.15
canyon = 0.15
"""


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    (tmp_path / "bench.toml").write_text(RECORD, "utf-8", newline="\n")
    (tmp_path / "logs").mkdir()
    for path in RECORDED.glob("base-canyon-2160p-run*"):
        shutil.copy(path, tmp_path / "logs" / path.name)
    return tmp_path


def tune(bench: Path, *arguments: str) -> Done:
    return frametime("tune", *arguments, cwd=bench)


def one_paragraph(text: str) -> str:
    return " ".join(text.split())


def test_the_cautions_stand_in_full_where_a_hand_reaches_for_a_setting_and_in_a_line_elsewhere(bench: Path) -> None:
    log = "logs/base-canyon-2160p-run1.csv"
    first = [tune(bench, "new", "other.toml"), tune(bench, "next", "bench.toml")]
    later = [
        tune(bench, "add", "bench.toml", "--workload", "courtyard", "--outcome", "passed"),
        tune(bench, "next", "bench.toml"),
        tune(bench, "show", "bench.toml"),
        tune(bench, "endurance", log),
    ]
    # The next core step would be +225 of 250 MHz at most: a limit is near.
    near = tune(bench, "add", "bench.toml", "--workload", "courtyard", "--passed", "--core", "200")
    beyond = tune(bench, "add", "bench.toml", "--workload", "courtyard", "--passed", "--core", "225")
    for done in (*first, *later, near, beyond):
        assert done.code == 0, done.err
        in_full = all(caution in one_paragraph(done.out) for caution in CAUTIONS)
        assert in_full == (done in first or done is beyond), done.out
        assert in_full or one_paragraph(done.out).endswith(f"Caution: {CAUTION}")
    for command in ("next", "show"):
        assert json.loads(tune(bench, command, "bench.toml", "--json").out)["cautions"] == list(CAUTIONS)
    assert json.loads(tune(bench, "endurance", log, "--json").out)["cautions"] == list(CAUTIONS)


def test_from_stock_to_the_first_steps(bench: Path) -> None:
    first = tune(bench, "next", "bench.toml")
    assert "set       core +0 MHz, memory +0 MHz" in first.out
    assert "power limit at its maximum (260 W)" in first.out
    noted = tune(bench, "add", "bench.toml", "--workload", "courtyard", "--outcome", "passed", "--fps", "100.5")
    assert "Trial 1 is noted in bench.toml" in noted.out
    assert "set       core +25 MHz, memory +0 MHz" in noted.out
    step = json.loads(tune(bench, "next", "bench.toml", "--json").out)["step"]
    stock = {"memory_offset_mhz": 0, "core_voltage_offset_mv": 0, "power_limit_pct": 100.0}
    assert step["setting"] == {"core_offset_mhz": 25, **stock}


def test_a_knob_that_is_left_out_is_asked_for_where_the_proposed_trial_has_it_turned(bench: Path) -> None:
    for fps in ("100", "101"):
        assert tune(bench, "add", "bench.toml", "--passed", "--fps", fps).code == 0
    before = (bench / "bench.toml").read_bytes()
    arguments = ("add", "bench.toml", "--workload", "courtyard", "--outcome", "froze", "--memory", "50")
    refused = tune(bench, *arguments)
    assert (refused.code, (bench / "bench.toml").read_bytes()) == (3, before)
    assert "the proposed trial has core +50 MHz" in refused.err and "--core 50, or 0 at stock" in refused.err
    noted = tune(bench, *arguments, "--core", "0")
    assert noted.code == 0
    assert "core +0 MHz, memory +50 MHz, 'courtyard', counts as failed: froze" in one_paragraph(noted.out)


def test_limits_that_are_still_the_examples_are_told_until_the_card_has_a_name(bench: Path) -> None:
    assert tune(bench, "new").code == 0
    told = "put the manufacturer's limits in place of the examples"
    assert told in one_paragraph(tune(bench, "next").out)
    assert told not in one_paragraph(tune(bench, "next", "bench.toml").out)


def test_a_trial_is_measured_from_its_logs(bench: Path) -> None:
    before = (bench / "bench.toml").read_bytes()
    logs = [f"logs/base-canyon-2160p-run{run}" for run in (1, 2, 3)]
    arguments = [part for log in logs for part in ("--log", f"{log}.csv", "--sensors", f"{log}.sensors.csv")]
    done = tune(
        bench, "add", "bench.toml", "--workload", "canyon", "--outcome", "passed", "--note", 'said "fine"', *arguments
    )
    assert done.code == 0, done.err
    after = (bench / "bench.toml").read_bytes()
    assert after.startswith(before)
    shown = json.loads(tune(bench, "show", "bench.toml", "--json").out)["summary"]
    (row,) = shown["settings"]
    ends_ns = [np.loadtxt(bench / f"{log}.csv", skiprows=1, dtype=np.int64) for log in logs]
    rates = [1e9 * (ends.size - 1) / (ends[-1] - ends[0]) for ends in ends_ns]
    assert row["n_runs"] == 3
    assert row["average_fps"] == pytest.approx(float(np.exp(np.mean(np.log(rates)))), rel=1e-6)
    assert 120.0 < row["average_power_w"] < 140.0
    assert row["frames_per_joule"] == pytest.approx(row["average_fps"] / row["average_power_w"], rel=1e-12)
    cells = [line.split(",")[2] for log in logs for line in (bench / f"{log}.sensors.csv").read_text().splitlines()[1:]]
    assert shown["trials"][0]["peak_temperature_c"] == max(map(float, cells))
    assert shown["trials"][0]["note"] == 'said "fine"'


def test_a_log_that_is_in_the_record_is_not_noted_again(bench: Path) -> None:
    arguments = ("add", "bench.toml", "--workload", "canyon", "--outcome", "passed", "--log")
    assert tune(bench, *arguments, "logs/base-canyon-2160p-run1.csv").code == 0
    before = (bench / "bench.toml").read_bytes()
    again = tune(bench, *arguments, "./logs/base-canyon-2160p-run1.csv")
    assert again.code == 3
    assert "this log is in the record already, with trial 1; a run counts once" in again.err
    assert (bench / "bench.toml").read_bytes() == before


def test_a_log_that_is_no_capture_or_too_short_is_told(bench: Path) -> None:
    write_log(bench / "short.csv", 10.0, times=50)
    (bench / "bench.toml").write_text(RECORD.replace("0.15", "0.001"), "utf-8", newline="\n")
    arguments = ("add", "bench.toml", "--workload", "canyon", "--outcome", "passed", "--log")
    sensors = tune(bench, *arguments, "logs/base-canyon-2160p-run1.sensors.csv")
    assert "this looks like a sensor log" in sensors.err
    assert "short.csv: repeat this run: Only 50 frames" in tune(bench, *arguments, "short.csv").err


def test_logs_of_a_record_kept_by_hand_are_measured_when_it_is_shown(bench: Path) -> None:
    trial = '\n[[trials]]\nworkload = "canyon"\noutcome = "passed"\nlogs = ["logs/base-canyon-2160p-run1.csv"]\n'
    missing = trial.replace("run1", "run9")
    (bench / "bench.toml").write_text(RECORD + trial + missing, "utf-8", newline="\n")
    summary = json.loads(tune(bench, "show", "bench.toml", "--json").out)["summary"]
    assert summary["trials"][0]["average_fps"] == pytest.approx(26.7, abs=0.2)
    assert summary["trials"][1]["average_fps"] is None
    assert summary["caveats"][0]["code"] == "trial-log-unusable"
    assert "Trial 2 has no measured speed" in summary["caveats"][0]["message"]


def test_the_log_of_a_failed_trial_may_be_broken_and_that_of_a_passed_one_not(bench: Path) -> None:
    (bench / "cut.csv").write_bytes(b"")
    arguments = ("add", "bench.toml", "--workload", "courtyard", "--log", "cut.csv", "--outcome")
    before = (bench / "bench.toml").read_bytes()
    refused = tune(bench, *arguments, "passed")
    assert refused.code == 3
    assert len(refused.err.splitlines()) == 1
    assert "cut.csv" in refused.err
    assert (bench / "bench.toml").read_bytes() == before
    noted = tune(bench, *arguments, "froze")
    assert noted.code == 0
    assert "noted without numbers" in noted.err
    assert noted.err.count("cut.csv: ") == 1, "said once, not again as a trial without a speed"
    assert "counts as failed: froze" in one_paragraph(noted.out)
    assert "cut.csv" not in tune(bench, "next", "bench.toml").err, "no speed is taken from a failed trial"


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (("add", "bench.toml", "--workload", "courtyrad", "--outcome", "passed"), 3, "did you mean 'courtyard'?"),
        (("add", "bench.toml", "--workload", "courtyard", "--outcome", "great"), 2, "--outcome"),
        (("add", "bench.toml", "--workload", "courtyard", "--outcome", "passed", "--endurance"), 3, "--minutes"),
        (("add", "bench.toml"), 2, "say how it ended"),
        (("add", "bench.toml", "--passed", "--outcome", "froze"), 2, "say how it ended"),
        (("add", "bench.toml", "--passed", "--core", "25"), 2, "--workload is needed"),
        (("add", "bench.toml", "--passed", "--endurance"), 3, "no endurance run is proposed; say what was set"),
        (("undo", "bench.toml"), 3, "there is no trial to take back"),
        (("add", "bench.toml", "--workload", "courtyard", "--outcome", "passed", "--on", "monday"), 3, "2026-11-25"),
        (("add", "bench.toml", "--workload", "courtyard", "--outcome", "passed", "--sensors", "x"), 2, "--sensors"),
        (
            ("add", "bench.toml", "--workload", "courtyard", "--outcome", "passed", "--fps", "-3"),
            2,
            "'--fps': '-3' is not",
        ),
        (
            ("add", "bench.toml", "--workload", "courtyard", "--outcome", "passed", "--core", "9999"),
            2,
            "'--core': '9999' is not a whole number from -5000 to 5000",
        ),
        (
            ("add", "bench.toml", "--workload", "courtyard", "--outcome", "passed", "--on", "2999-01-01"),
            3,
            "a day that is yet to come",
        ),
        (
            ("add", "bench.toml", "--workload", "courtyard", "--outcome", "passed", *2 * ("--log", "a.csv")),
            3,
            "a.csv: this log is given twice; a run counts once",
        ),
        (("next", "none.toml"), 3, "frametime tune new"),
        (("show", "logs/base-canyon-2160p-run1.csv"), 3, "this is not TOML"),
        (("new", "bench.toml"), 3, "the file exists"),
        (("endurance", "none.csv"), 3, "none.csv"),
        (("endurance", "logs/base-canyon-2160p-run1.csv", "--sensors", "none.csv"), 3, "none.csv"),
    ],
)
def test_what_is_wrong_is_said_in_one_line_and_nothing_is_written(
    bench: Path, arguments: tuple[str, ...], code: int, message: str
) -> None:
    before = (bench / "bench.toml").read_bytes()
    done = tune(bench, *arguments)
    assert done.code == code, done.err
    assert message in done.err
    assert "Traceback" not in done.err
    if code == 3:
        assert len(done.err.splitlines()) == 1
    assert (bench / "bench.toml").read_bytes() == before


def test_several_captures_are_one_endurance_run_and_what_was_not_measured_stands_last_once(bench: Path) -> None:
    logs = [f"logs/base-canyon-2160p-run{run}.csv" for run in (1, 2)]
    alone, both = tune(bench, "endurance", logs[0]), tune(bench, "endurance", *logs)
    assert "0.166 min" in alone.out and "0.332 min" in both.out
    assert both.out.startswith(f"Not shown: {logs[0]}, {logs[1]}\n")
    assert both.out.count("not measurable") == 0
    for label in ("drift", "throttling"):
        assert both.out.count(f"  {label} (") == 1
    assert "give --sensors once for each capture" in tune(bench, "endurance", *logs, "--sensors", "a.csv").err
    assert "--plot draws one run" in tune(bench, "endurance", *logs, "--plot", "out.png").err


def test_an_endurance_run_is_judged_with_the_limits_of_the_record(bench: Path) -> None:
    log = "logs/base-canyon-2160p-run1"
    done = tune(bench, "endurance", f"{log}.csv", "--sensors", f"{log}.sensors.csv", "--record", "bench.toml")
    assert done.code == 0, done.err
    assert done.out.startswith("Not shown")
    verdict = json.loads(
        tune(
            bench, "endurance", f"{log}.csv", "--sensors", f"{log}.sensors.csv", "--record", "bench.toml", "--json"
        ).out
    )["verdict"]
    states = {item["key"]: item["state"] for item in verdict["criteria"]}
    assert states["length"] == "failed"
    assert states["temperature"] == states["throttling"] == states["freezes"] == "passed"
    assert tune(bench, "endurance", f"{log}.csv", "--gate").code == 5


def test_the_power_of_a_log_in_the_record_is_judged_by_the_limit_of_its_trial(bench: Path) -> None:
    log = "logs/base-canyon-2160p-run1"
    asked = ("endurance", f"{log}.csv", "--sensors", f"{log}.sensors.csv", "--record", "bench.toml")
    assert "the limit of 260 W" in one_paragraph(tune(bench, *asked).out)
    trial = f'\n[[trials]]\n{{}}\nworkload = "canyon"\noutcome = "passed"\nlogs = ["{log}.csv"]\n'
    for limit, watts in (("power_limit_pct = 80", 208), ("power_limit_w = 230", 230)):
        (bench / "bench.toml").write_text(RECORD + trial.format(limit), "utf-8", newline="\n")
        assert f"the limit of {watts} W" in one_paragraph(tune(bench, *asked).out)
    assert "the limit of 199 W" in one_paragraph(tune(bench, *asked, "--power-limit", "199").out)


@pytest.mark.skipif(shutil.which("sh") is None, reason="no shell to paste into")
@pytest.mark.parametrize("name", ["inner court", "$HOME", "cour d'honneur", "50% `off`!", "Höhe"])
def test_the_command_to_note_a_trial_can_be_pasted_back(bench: Path, name: str) -> None:
    text = RECORD.replace('name = "courtyard"', f'name = "{name}"').replace("courtyard = 0.15\n", "")
    (bench / "bench.toml").write_text(text, "utf-8", newline="\n")
    done = tune(bench, "next", "bench.toml")
    begun = "frametime tune add bench.toml --core 0"
    (line,) = (line for line in done.out.splitlines() if line.strip().startswith(begun))
    shell = ["sh", "-c", f"printf '%s\\n' {line}"]
    words = subprocess.run(shell, capture_output=True, check=True, encoding="utf-8").stdout.splitlines()
    assert words[words.index("--workload") + 1 :][:2] == [name, "--outcome"]


def test_help_says_that_it_only_reads_logs(bench: Path) -> None:
    done = tune(bench, "--help")
    assert "only reads logs" in one_paragraph(done.out)


def test_long_names_run_over_no_line(bench: Path) -> None:
    record = "an evening with the new card and the old cooler.toml"
    text = (bench / "bench.toml").read_text("utf-8").replace("courtyard", "courtyard-at-noon-with-many-people")
    (bench / record).write_text(text, "utf-8")
    told = [
        tune(bench, "add", record, "--passed", "--fps", "100.5", "--fps", "100.25", "--fps", "100.75"),
        tune(bench, "undo", record),
        tune(bench, "new", "a first record of the card that came yesterday.toml"),
    ]
    for done, word in zip(told, ("is noted in", "is taken out of", "is written: fill in card"), strict=True):
        assert done.code == 0, done.err
        assert word in one_paragraph(done.out)
        paragraph = done.out.partition("\n\n")[0]
        assert max(map(len, paragraph.splitlines())) <= 80, paragraph
    assert "then: frametime tune next 'a first record of the card that came yesterday.toml'" in one_paragraph(
        told[2].out
    )
    assert "frametime tune next 'a first record of the card that came yesterday.toml'" in told[2].out.splitlines()
