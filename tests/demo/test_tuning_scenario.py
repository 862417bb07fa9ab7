"""The invented tuning record follows the steps of common practice: each trial is the one that was due."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from frametime.demo.demo_files import TRIAL_S, frame_times_us
from frametime.demo.scenario import (
    HALFWAY_TRIALS,
    HEAVY,
    LIGHT,
    TRIALS,
    DemoTrial,
    true_rate_fps,
    tuning_run,
)
from frametime.pipeline.tuning_record import measured_record, read_record
from frametime.tuning.next_trial import next_trial
from frametime.tuning.proposal import Finished, Proposal
from frametime.tuning.record import CardFacts, Limits, Outcome, Setting, Steps, Trial, TuningRecord, Workload

TUNING = Path(__file__).parents[2] / "reference_logs" / "review" / "tuning"


def average_fps(trial: DemoTrial, number: int) -> tuple[float, ...]:
    values = []
    for run in range(1, len(trial.logs) + 1):
        times_us = frame_times_us(tuning_run(trial, number, run), duration_s=TRIAL_S)
        values.append(float(times_us.size * 1e6 / times_us.sum()))
    return tuple(values)


def test_each_trial_is_the_next_one() -> None:
    record = TuningRecord(
        card=CardFacts(name="Brae 41"),
        limits=Limits(temperature_c=85.0, max_core_offset_mhz=200, max_memory_offset_mhz=500, power_w=300.0),
        workloads=(Workload(name=LIGHT), Workload(name=HEAVY)),
        steps=Steps(),
        trials=(),
    )
    for number, trial in enumerate(TRIALS, start=1):
        due = next_trial(record)
        assert isinstance(due, Proposal), number
        assert due.setting == Setting(
            core_offset_mhz=trial.core_offset_mhz, memory_offset_mhz=trial.memory_offset_mhz
        ), number
        assert due.workload == trial.workload, number
        assert due.is_endurance == (trial.minutes is not None), number
        made = Trial(
            setting=due.setting,
            workload=trial.workload,
            outcome=Outcome(trial.outcome),
            is_endurance=due.is_endurance,
            minutes=trial.minutes,
            average_fps=average_fps(trial, number) if trial.outcome == "passed" else (),
        )
        record = replace(record, trials=(*record.trials, made))
    end = next_trial(record)
    assert isinstance(end, Finished)
    assert end.best == Setting(core_offset_mhz=95, memory_offset_mhz=200)


def test_the_memory_has_an_edge_past_which_it_slows() -> None:
    rates = [true_rate_fps(125, memory, LIGHT) for memory in (150, 200, 250, 300)]
    assert rates[0] < rates[1]
    assert rates[1] > rates[2] > rates[3]


@pytest.mark.usefixtures("same_bytes_are_measured_once")
def test_the_stored_record_is_read_and_is_finished() -> None:
    record, caveats = measured_record(read_record(str(TUNING / "tuning.toml")), TUNING)
    assert caveats == ()
    assert len(record.trials) == len(TRIALS)
    assert [len(trial.average_fps) for trial in record.trials] == [len(trial.logs) for trial in TRIALS]
    for trial, planted in zip(record.trials, TRIALS, strict=True):
        for fps in trial.average_fps:
            truth = true_rate_fps(planted.core_offset_mhz, planted.memory_offset_mhz, planted.workload)
            assert fps == pytest.approx(truth, rel=0.015)
    end = next_trial(record)
    assert isinstance(end, Finished)
    assert end.everyday == Setting(core_offset_mhz=70, memory_offset_mhz=100)


@pytest.mark.usefixtures("same_bytes_are_measured_once")
def test_halfway_the_next_trial_is_the_one_that_was_made() -> None:
    record, _ = measured_record(read_record(str(TUNING / "halfway.toml")), TUNING)
    due = next_trial(record)
    made = TRIALS[HALFWAY_TRIALS]
    assert isinstance(due, Proposal)
    assert due.setting == Setting(core_offset_mhz=made.core_offset_mhz, memory_offset_mhz=made.memory_offset_mhz)
