"""A trial before it is noted: what its logs show, what is asked, and what the record cannot take."""

from __future__ import annotations

import os
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from capture_samples import capture_of, measured

from frametime.errors import RecordError
from frametime.metrics.options import MeasureOptions
from frametime.tuning.new_trial import (
    MeasuredLog,
    TrialAtHand,
    judged_log,
    judged_trial,
    options_of,
    proposed_trial,
    refuse_logs,
    refuse_new,
    with_measurements,
)
from frametime.tuning.next_trial import next_trial
from frametime.tuning.proposal import Phase, Proposal
from frametime.tuning.record import CardFacts, Limits, Outcome, Setting, Steps, Trial, TuningRecord, Workload

RECORD = TuningRecord(
    card=CardFacts(name="Borealis 8"),
    limits=Limits(temperature_c=85, max_core_offset_mhz=250, max_memory_offset_mhz=1000),
    workloads=(Workload(name="canyon"),),
    steps=Steps(endurance_min_minutes=1.0),
    trials=(),
    lengths={"canyon": 0.5},
)
PASSED = Trial(setting=Setting(), workload="canyon", outcome=Outcome.PASSED)
LONG = replace(PASSED, is_endurance=True)
ONE, TWO = Path("one.csv"), Path("two.csv")


def log_of(trial: Trial = PASSED, *, minutes: float = 0.6, freeze_ms: float | None = None) -> MeasuredLog:
    """A run of 25 ms frames, with a single long one where it is asked for."""
    times_ms = np.random.default_rng(3).normal(25.0, 0.5, round(minutes * 2400))
    if freeze_ms is not None:
        times_ms[500] = freeze_ms
    capture = capture_of(times_ms)
    return judged_log(trial, capture, measured(capture), name="one.csv", hint=None)


def _sensed(log: MeasuredLog, **values: float) -> MeasuredLog:
    """The log with some of its metrics measured."""
    known = {key: log.run.values[key]._replace(value=value) for key, value in values.items()}
    return replace(log, run=log.run._replace(values={**log.run.values, **known}))


def at_hand(*, n_runs: int = 1, is_endurance: bool = False) -> TrialAtHand:
    step = next_trial(RECORD)
    assert isinstance(step, Proposal)
    long = {"phase": Phase.ENDURANCE, "minutes": 1.0} if is_endurance else {}
    return TrialAtHand(replace(step, n_runs=n_runs, **long))  # type: ignore[arg-type]


def test_limits_that_are_asked_for_count_before_those_of_a_trial_and_of_the_record() -> None:
    record = replace(RECORD, limits=replace(RECORD.limits, power_w=300.0))
    own = replace(PASSED, power_limit_w=250.0)
    asked = MeasureOptions(power_limit_w=200.0, temperature_limit_c=70.0)
    for trial, options, limits in (
        (None, MeasureOptions(), (300.0, 85)),
        (PASSED, MeasureOptions(), (300.0, 85)),
        (replace(PASSED, setting=Setting(power_limit_pct=90.0)), MeasureOptions(), (270.0, 85)),
        (own, MeasureOptions(), (250.0, 85)),
        (own, asked, (200.0, 70)),
    ):
        found = options_of(record, trial, options)
        assert (found.power_limit_w, found.temperature_limit_c) == limits


def test_a_trial_is_of_a_step_by_setting_workload_and_whether_it_is_the_long_run() -> None:
    hand = at_hand()
    own = hand.trial(Outcome.FROZE)
    assert hand.is_of(own) and hand.is_of(hand.trial(Outcome.PASSED)), "however it ended"
    for other in (
        replace(own, workload="another"),
        replace(own, setting=Setting(core_offset_mhz=15)),
        replace(own, is_endurance=True),
    ):
        assert not hand.is_of(other)


@pytest.mark.parametrize(
    ("run", "outcome", "words"),
    [
        ({}, None, "0.6 minutes, run 1 of 1 so far, nothing wrong in the log"),
        ({"freeze_ms": 700.0}, Outcome.FROZE, "1 frame over 500 ms; the longest frame took 700 ms"),
        ({"minutes": 0.3}, Outcome.DID_NOT_FINISH, "cut off after 0.3 of 0.5 minutes"),
    ],
)
def test_what_a_log_shows_is_how_the_trial_ended(run: dict[str, float], outcome: Outcome | None, words: str) -> None:
    hand = at_hand()
    told, found = hand.take(ONE, log_of(**run), RECORD)
    assert (found, words in told) == (outcome, True)
    assert bool(hand.question) == (outcome is None), "only what no log shows is asked"


def test_a_hot_run_needs_no_answer() -> None:
    log = log_of()
    values = {**log.run.values, "peak_temperature_c": log.run.values["average_fps"]._replace(value=91.0)}
    told = at_hand().take(ONE, replace(log, run=log.run._replace(values=values)), RECORD)
    assert told == ("91 °C, above the limit of 85 °C", Outcome.PASSED), "the record itself counts it as failed"


def test_runs_are_collected_until_there_are_enough() -> None:
    several, long = at_hand(n_runs=2), at_hand(is_endurance=True)
    for hand in (several, long):
        _, outcome = hand.take(ONE, log_of(hand.trial(Outcome.PASSED)), RECORD)
        assert (outcome, hand.question) == (None, "")
        told, outcome = hand.take(TWO, log_of(hand.trial(Outcome.PASSED)), RECORD)
        assert outcome is None and hand.question.startswith("Artifacts?")
    assert "1.2 of 1 minutes so far" in told, "the parts of an endurance run add up"


@pytest.mark.parametrize(("later_s", "is_told"), [(2, True), (-12, True), (40, False)])
def test_a_run_that_two_programs_log_is_told_before_it_counts_twice(
    later_s: int, is_told: bool, tmp_path: Path
) -> None:
    hand, logs = at_hand(n_runs=3), [tmp_path / "one.csv", tmp_path / "two.csv"]
    for log, end_s in zip(logs, (1_000_000, 1_000_000 + later_s), strict=True):
        log.write_text("")
        os.utime(log, (end_s, end_s))
        told, _ = hand.take(log, log_of(), RECORD)  # of 0.6 minutes
    words = ". one.csv was written meanwhile: if both are of one run, take this back: u"
    assert (words in told) == is_told, told


@pytest.mark.parametrize(
    ("keys", "outcome"),
    [("y", Outcome.ARTIFACTS), ("nn", Outcome.DID_NOT_FINISH), ("?ny", Outcome.PASSED), ("n?", None), ("f", None)],
)
def test_two_questions_are_answered_by_keys(keys: str, outcome: Outcome | None) -> None:
    hand = at_hand()
    hand.take(ONE, log_of(), RECORD)
    assert [hand.answered(key) for key in keys] == [None] * (len(keys) - 1) + [outcome]


def test_a_trial_without_a_log_ends_by_a_key_and_one_taken_back_is_asked_again() -> None:
    hand = at_hand()
    assert (hand.answered("d"), hand.answered("y")) == (Outcome.DRIVER_RESET, None)
    hand.ask_again({ONE: 0.6}, Outcome.PASSED)
    assert hand.question.startswith("Did it finish?")
    assert hand.answered("y") is Outcome.PASSED


def test_a_pass_is_refused_against_a_log() -> None:
    logs = (str(ONE),)
    refuse_logs(replace(PASSED, logs=logs), [log_of()], RECORD)
    with pytest.raises(RecordError, match=r"one\.csv: .*this log shows 1 frame over 500 ms"):
        refuse_logs(replace(PASSED, logs=logs), [log_of(freeze_ms=700.0)], RECORD)
    three = replace(PASSED, logs=("one.csv", "two.csv", "three.csv"))
    with pytest.raises(RecordError, match=r"three\.csv: the run lasted 0\.3 minutes, and 0\.5 are needed"):
        refuse_logs(three, [log_of(), log_of(), log_of(minutes=0.3)], RECORD)  # together they are long enough
    with pytest.raises(RecordError, match=r"the run lasted 0\.6 minutes, and 1 are needed"):
        refuse_logs(replace(LONG, logs=logs), [log_of(LONG)], RECORD)


def test_what_stands_in_a_record_is_judged_by_its_logs() -> None:
    judged, caveats = judged_trial(PASSED, [log_of(freeze_ms=700.0)], number=4)
    assert judged.outcome is Outcome.DOES_NOT_HOLD
    assert caveats[0].message.startswith("Trial 4 is noted as passed, and its log says otherwise: 1 frame over 500 ms")
    kept, none = judged_trial(replace(PASSED, outcome=Outcome.FROZE), [log_of(freeze_ms=700.0)], number=4)
    assert (kept.outcome, none) == (Outcome.FROZE, ())


def test_the_log_says_how_long_an_endurance_run_was_and_the_word_else() -> None:
    said = replace(LONG, minutes=45.0)
    assert with_measurements(said, [log_of(LONG), log_of(LONG)]).minutes == pytest.approx(1.2, abs=0.01)
    assert with_measurements(said, []) == said
    powered, hot, bare = (
        _sensed(log_of(), **values) for values in ({"average_power_w": 200.0}, {"peak_temperature_c": 80.0}, {})
    )
    assert with_measurements(PASSED, [powered, powered]).average_power_w == (200.0, 200.0)
    told = with_measurements(PASSED, [powered, _sensed(hot, peak_temperature_c=70.0), hot, bare])
    assert (len(told.average_fps), told.average_power_w, told.peak_temperature_c) == (4, (), 80.0)
    assert with_measurements(replace(PASSED, minutes=45.0), [log_of()]).minutes == 45.0


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"workload": "cannyon"}, "did you mean 'canyon'"),
        ({"on": "monday"}, "2026-11-25"),
        ({"on": "2999-01-01"}, "a day that is yet to come"),
        ({"on": ""}, "on is empty"),
        ({"logs": ("one.csv", "one.csv")}, "this log is given twice"),
        ({"logs": ("known.csv",)}, "in the record already, with trial 1"),
        ({"is_endurance": True}, "minutes is not known for the endurance run"),
        ({"is_endurance": True, "minutes": 0.7}, "minutes is 0.7, and 1 are needed"),
        ({"minutes": 0.2}, "minutes is 0.2, and 0.5 are needed"),
    ],
)
def test_what_the_record_cannot_take_is_refused(changed: dict[str, object], message: str) -> None:
    new = replace(PASSED, **changed)  # type: ignore[arg-type]
    record = replace(RECORD, trials=(replace(PASSED, logs=("known.csv",)),))
    with pytest.raises(RecordError, match=message):
        refuse_new(new, new, record, name="tuning.toml")
    failed = replace(new, outcome=Outcome.FROZE)
    if "minutes" in message:
        refuse_new(failed, failed, record, name="tuning.toml")


def test_a_day_that_has_begun_farther_east_is_not_yet_to_come() -> None:
    tomorrow = (datetime.now(tz=UTC) + timedelta(days=1)).date().isoformat()
    new = replace(PASSED, on=tomorrow)
    refuse_new(new, new, RECORD, name="tuning.toml")


def test_an_endurance_run_may_be_called_that_where_one_is_proposed() -> None:
    step = next_trial(RECORD)
    assert isinstance(step, Proposal) and not step.is_endurance
    with pytest.raises(RecordError, match="no endurance run is proposed"):
        proposed_trial(LONG, step, name="bench.toml")
    long = replace(step, phase=Phase.ENDURANCE)
    assert proposed_trial(LONG, long, name="bench.toml") == proposed_trial(PASSED, long, name="bench.toml")
    assert proposed_trial(LONG, long, name="bench.toml").is_endurance
