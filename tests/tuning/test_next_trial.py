"""The steps of common practice as a state machine: facts of the trade, laws, and a card with a hidden limit."""

from __future__ import annotations

from dataclasses import fields, replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import simulated_card as sim
from hypothesis import given, settings
from hypothesis import strategies as st

from frametime.render.tuning_text import next_step_text
from frametime.tuning.knob_steps import resolved_pct
from frametime.tuning.next_trial import everyday_setting, next_trial
from frametime.tuning.proposal import Finished, Phase, Proposal
from frametime.tuning.record import CAUTIONS, STOCK, Outcome, Setting, Steps, Trial, TuningRecord
from frametime.tuning.record_text import TrialKeys
from frametime.tuning.trial_view import TrialView


def with_trials(record: TuningRecord, *trials: Trial) -> TuningRecord:
    return replace(record, trials=(*record.trials, *trials))


def made(
    core: int, memory: int, *, workload: str = "courtyard", outcome: Outcome = Outcome.PASSED, **more: object
) -> Trial:
    return Trial(
        setting=Setting(core_offset_mhz=core, memory_offset_mhz=memory), workload=workload, outcome=outcome, **more
    )


def proposal_for(record: TuningRecord) -> Proposal:
    step = next_trial(record)
    assert isinstance(step, Proposal)
    return step


# Facts of the trade. Source of each: common practice, no source.


def test_stock_comes_first_with_the_power_limit_at_its_maximum() -> None:
    step = proposal_for(sim.empty_record(2))
    assert (step.phase, step.setting, step.workload, step.power_limit_w) == (Phase.STOCK, STOCK, "courtyard", 260.0)


def test_a_length_below_a_minute_is_told_in_seconds() -> None:
    step = replace(proposal_for(sim.empty_record(2)), minutes=0.3)
    assert "1 run, at least 18 seconds\n" in next_step_text(step, record="tuning.toml")


def test_the_core_goes_first_by_25_mhz() -> None:
    record = with_trials(sim.empty_record(2), made(0, 0), made(25, 0))
    step = proposal_for(record)
    assert (step.phase, step.setting, step.start) == (
        Phase.CORE,
        Setting(core_offset_mhz=50),
        Setting(core_offset_mhz=25),
    )


@pytest.mark.parametrize("failure", [item for item in Outcome if item is not Outcome.PASSED])
def test_a_failed_step_goes_back_to_the_last_that_passed_and_memory_follows_by_50_mhz(failure: Outcome) -> None:
    record = with_trials(sim.empty_record(2), made(0, 0), made(25, 0), made(50, 0, outcome=failure))
    step = proposal_for(record)
    assert (step.phase, step.setting) == (Phase.MEMORY, Setting(core_offset_mhz=25, memory_offset_mhz=50))


@pytest.mark.parametrize(
    ("heavy", "first", "second"),
    [(False, (0, 50), (25, 0)), (True, (25, 25), (0, 50))],
    ids=["core-heavy", "memory-heavy"],
)
def test_a_heavier_workload_takes_back_one_clock_at_a_time(
    heavy: bool, first: tuple[int, int], second: tuple[int, int]
) -> None:
    record = with_trials(
        sim.empty_record(2, heavy=heavy),
        made(0, 0),
        made(25, 0),
        made(50, 0, outcome=Outcome.FROZE),
        made(25, 50),
        made(25, 100, outcome=Outcome.ARTIFACTS),
        made(25, 50, workload="canyon", outcome=Outcome.FROZE),
    )
    step = proposal_for(record)
    assert (step.phase, step.setting) == (
        Phase.HEAVIER,
        Setting(core_offset_mhz=first[0], memory_offset_mhz=first[1]),
    )
    record = with_trials(record, made(*first, workload="canyon", average_fps=(100.0,)))
    step = proposal_for(record)
    assert step.setting == Setting(core_offset_mhz=second[0], memory_offset_mhz=second[1])
    assert step.start == Setting(core_offset_mhz=25, memory_offset_mhz=50)


@pytest.mark.parametrize(("core_way_fps", "kept_core"), [(103.0, 0), (101.0, 25)])
def test_where_either_clock_helps_the_better_score_is_kept(core_way_fps: float, kept_core: int) -> None:
    record = with_trials(
        sim.empty_record(2),
        made(0, 0),
        made(25, 0),
        made(50, 0, outcome=Outcome.FROZE),
        made(25, 50),
        made(25, 100, outcome=Outcome.ARTIFACTS),
        made(25, 50, workload="canyon", outcome=Outcome.FROZE),
        made(0, 50, workload="canyon", average_fps=(core_way_fps,)),
        made(25, 0, workload="canyon", average_fps=(102.0,)),
    )
    step = proposal_for(record)
    assert step.phase is Phase.FINE
    assert step.start.core_offset_mhz == kept_core


def test_fine_steps_go_down_from_the_failure_by_10_and_20_mhz_never_both() -> None:
    record = with_trials(
        sim.empty_record(1),
        made(0, 0),
        made(25, 0),
        made(50, 0, outcome=Outcome.FROZE),
        made(25, 50),
        made(25, 100, outcome=Outcome.ARTIFACTS),
    )
    step = proposal_for(record)
    assert (step.phase, step.setting) == (Phase.FINE, Setting(core_offset_mhz=40, memory_offset_mhz=50))
    record = with_trials(record, made(40, 50, outcome=Outcome.FROZE), made(30, 50))
    step = proposal_for(record)
    assert (step.phase, step.setting) == (Phase.FINE, Setting(core_offset_mhz=30, memory_offset_mhz=80))


def test_a_step_that_scores_clearly_lower_ends_the_climb() -> None:
    record = with_trials(
        sim.empty_record(1),
        made(0, 0, average_fps=(100.0,)),
        made(25, 0, average_fps=(101.0,)),
        made(50, 0, average_fps=(99.0,)),
    )
    step = proposal_for(record)
    assert (step.phase, step.setting) == (Phase.MEMORY, Setting(core_offset_mhz=25, memory_offset_mhz=50))


def test_too_hot_counts_as_failed() -> None:
    record = with_trials(sim.empty_record(1), made(0, 0), made(25, 0, peak_temperature_c=91.0))
    assert proposal_for(record).phase is Phase.MEMORY


def test_a_trial_beyond_the_limits_is_named_and_nothing_beyond_them_is_proposed() -> None:
    record = with_trials(sim.empty_record(1), made(0, 0))
    limits = record.limits
    for beyond in (made(limits.max_core_offset_mhz + 25, 0), made(0, limits.max_memory_offset_mhz + 50)):
        step = proposal_for(with_trials(record, beyond))
        notes = [note for note in step.notes if "beyond the limits" in note]
        assert len(notes) == 1 and notes[0].startswith(f"Trial 2 was set to {beyond.setting}")
        assert step.setting.core_offset_mhz <= limits.max_core_offset_mhz
        assert step.setting.memory_offset_mhz <= limits.max_memory_offset_mhz
    at_the_limit = made(limits.max_core_offset_mhz, limits.max_memory_offset_mhz)
    assert not any("beyond" in note for note in next_trial(with_trials(record, at_the_limit)).notes)


def test_the_endurance_run_takes_30_to_60_minutes_and_a_short_one_does_not_count() -> None:
    record = with_trials(sim.empty_record(1), made(0, 0), made(25, 0, outcome=Outcome.FROZE))
    record = with_trials(record, made(0, 50, outcome=Outcome.FROZE))
    record = with_trials(record, made(15, 0, outcome=Outcome.FROZE), made(5, 0, outcome=Outcome.FROZE))
    record = with_trials(record, made(0, 30, outcome=Outcome.FROZE), made(0, 10, outcome=Outcome.FROZE))
    step = proposal_for(record)
    assert (step.phase, step.setting, step.minutes) == (Phase.ENDURANCE, STOCK, 30.0)
    assert "30 to 60 minutes" in step.reason
    short = with_trials(record, made(0, 0, is_endurance=True, minutes=20.0))
    assert proposal_for(short).phase is Phase.ENDURANCE
    long = with_trials(record, made(0, 0, is_endurance=True, minutes=45.0))
    assert isinstance(next_trial(long), Finished)


def test_the_everyday_setting_is_tried_by_itself_though_no_speed_was_measured() -> None:
    record = with_trials(
        sim.empty_record(1),
        made(0, 0),
        made(25, 0),
        made(50, 0, outcome=Outcome.FROZE),
        made(40, 0, outcome=Outcome.FROZE),
        made(30, 0, outcome=Outcome.FROZE),
        *(made(25, memory, outcome=Outcome.FROZE) for memory in (50, 30, 10)),
        made(25, 0, is_endurance=True, minutes=45.0),
    )
    step = proposal_for(replace(record, steps=replace(record.steps, everyday_core_back_mhz=10)))
    assert (step.phase, step.setting) == (Phase.EVERYDAY, Setting(core_offset_mhz=15))
    done = with_trials(record, made(15, 0))
    done = replace(done, steps=replace(done.steps, everyday_core_back_mhz=10))
    warm = replace(done, trials=(replace(done.trials[0], peak_temperature_c=70.0), *done.trials[1:]))
    unseen = "No trial has a measured temperature: whether the card keeps to its limit is not shown."
    for record, is_told in ((done, True), (warm, False)):
        finish = next_trial(record)
        assert isinstance(finish, Finished) and (unseen in finish.notes) == is_told


def test_the_everyday_setting_lies_25_and_100_mhz_below_the_tuned_maximum() -> None:
    best = Setting(core_offset_mhz=140, memory_offset_mhz=560)
    assert everyday_setting(best, sim.empty_record(1)) == Setting(core_offset_mhz=115, memory_offset_mhz=460)
    assert everyday_setting(Setting(core_offset_mhz=10), sim.empty_record(1)) == STOCK


def test_a_setting_that_stops_being_stable_is_named_and_the_failure_counts() -> None:
    record = with_trials(sim.empty_record(1), made(0, 0), made(50, 0), made(25, 0, outcome=Outcome.DRIVER_RESET))
    step = proposal_for(record)
    assert step.setting == Setting(memory_offset_mhz=50)
    assert any("age" in note for note in step.notes)


def test_nothing_is_tuned_when_stock_fails() -> None:
    step = next_trial(with_trials(sim.empty_record(1), made(0, 0, outcome=Outcome.FROZE)))
    assert isinstance(step, Finished)
    assert step.best is None


@pytest.mark.parametrize(
    ("failure", "named"),
    [
        (made(0, 0, workload="canyon", outcome=Outcome.FROZE), "canyon"),
        (made(-50, 0, workload="canyon", outcome=Outcome.ARTIFACTS), "canyon"),
        (made(0, 0, workload="canyon", outcome=Outcome.FROZE, is_endurance=True, minutes=12.0), "the endurance run"),
    ],
)
def test_no_clock_is_raised_on_a_card_whose_stock_setting_fails_under_a_heavier_load(
    failure: Trial, named: str
) -> None:
    step = next_trial(with_trials(sim.empty_record(2), made(0, 0), failure))
    assert isinstance(step, Finished)
    assert step.best is None and f"does not hold under {named}" in step.reason


@pytest.mark.parametrize(("lower_fps", "proposed_core"), [(101.0, 0), (100.5, 25)])
def test_a_clock_that_wins_nothing_is_given_back(lower_fps: float, proposed_core: int) -> None:
    one_step = replace(sim.empty_record(1).limits, max_core_offset_mhz=25, max_memory_offset_mhz=0)
    runs = (made(0, 0, average_fps=(lower_fps,) * 3), made(25, 0, average_fps=(101.0,) * 3))
    step = proposal_for(with_trials(replace(sim.empty_record(1), limits=one_step), *runs))
    assert (step.phase, step.setting.core_offset_mhz) == (Phase.ENDURANCE, proposed_core)


def test_a_power_limit_above_that_of_the_record_is_named() -> None:
    record = sim.empty_record(1)
    limit_w = record.limits.power_w
    over = next_trial(with_trials(record, made(0, 0, power_limit_w=limit_w + 1.0))).notes
    assert next(note for note in over if "beyond" in note).startswith(
        "Trial 1 was set to core +0 MHz, memory +0 MHz, 261 W, beyond the limits of the record (260 W)"
    )
    within = next_trial(with_trials(record, made(0, 0, power_limit_w=limit_w))).notes
    assert not any("beyond" in note for note in within)


# Laws.


@st.composite
def records(draw: st.DrawFn) -> TuningRecord:
    """Any record, however contradictory."""
    n_workloads = draw(st.integers(1, 3))
    record = sim.empty_record(n_workloads, heavy=draw(st.booleans()))
    trial = st.builds(
        Trial,
        setting=st.builds(
            Setting,
            core_offset_mhz=st.integers(0, 12).map(lambda step: 25 * step),
            memory_offset_mhz=st.integers(0, 18).map(lambda step: 50 * step),
        ),
        workload=st.sampled_from([workload.name for workload in record.workloads]),
        outcome=st.one_of(st.just(Outcome.PASSED), st.sampled_from(list(Outcome))),
        is_endurance=st.booleans(),
        minutes=st.sampled_from([10.0, 45.0]),
        average_fps=st.lists(st.floats(50.0, 150.0), max_size=3).map(tuple),
        peak_temperature_c=st.sampled_from([None, 70.0, 95.0]),
    )
    return replace(record, trials=tuple(draw(st.lists(trial, max_size=25))))


def check_laws(record: TuningRecord, step: Proposal) -> None:
    view = TrialView(record)
    weight = record.endurance_weight if step.is_endurance else record.weight_of(step.workload)
    for trial in record.trials:
        if view.failure_of(trial) is not None:
            # A short or long endurance run that failed says nothing about the shorter runs of the same workload.
            load = record.weight_of(trial.workload) + (0.5 if trial.is_endurance else 0.0)
            beyond = (
                step.setting.core_offset_mhz >= trial.setting.core_offset_mhz
                and step.setting.memory_offset_mhz >= trial.setting.memory_offset_mhz
            )
            assert not (beyond and load <= weight), (step, trial)
    limits = record.limits
    assert 0 <= step.setting.core_offset_mhz <= limits.max_core_offset_mhz
    assert 0 <= step.setting.memory_offset_mhz <= limits.max_memory_offset_mhz
    assert step.power_limit_w == limits.power_w
    assert step.n_runs >= 1
    if step.phase is not Phase.EVERYDAY:  # backed off in both clocks by definition, towards safety
        changed = (step.setting.core_offset_mhz != step.start.core_offset_mhz) + (
            step.setting.memory_offset_mhz != step.start.memory_offset_mhz
        )
        # A search by halving takes both clocks back after a failed long run, towards safety as well.
        assert changed <= 1 or (step.is_endurance and step.start.is_at_or_beyond(step.setting))


@given(records())
@settings(max_examples=50, deadline=None)
def test_any_record_gets_the_same_answer_twice_within_the_limits_and_below_what_failed(record: TuningRecord) -> None:
    check_answer(record)


@pytest.mark.slow
@given(records())
@settings(max_examples=200, deadline=None)
def test_each_of_many_records_gets_the_same_answer_twice(record: TuningRecord) -> None:
    check_answer(record)


def check_answer(record: TuningRecord) -> None:
    step = next_trial(record)
    assert step == next_trial(record)
    if isinstance(step, Proposal):
        check_laws(record, step)
    elif step.best is not None:
        assert TrialView(record).status(step.best, record.endurance_weight) == "passed"


@given(st.integers(1, 3), st.booleans(), st.booleans(), st.data())
@settings(max_examples=60, deadline=None)
def test_it_ends_whatever_the_trials_say(n_workloads: int, heavy: bool, scored: bool, data: st.DataObject) -> None:
    record = sim.empty_record(n_workloads, heavy=heavy)
    seed = data.draw(st.integers(0, 2**32 - 1))
    chance = data.draw(st.floats(0.0, 1.0))
    rng = np.random.default_rng(seed)
    for _ in range(250):
        step = next_trial(record)
        if isinstance(step, Finished):
            return
        check_laws(record, step)
        passed = rng.uniform() < chance
        trial = Trial(
            setting=step.setting,
            workload=step.workload,
            outcome=Outcome.PASSED if passed else Outcome.FROZE,
            is_endurance=step.is_endurance,
            minutes=45.0 if step.is_endurance else None,
            average_fps=tuple(rng.uniform(90.0, 110.0, step.n_runs)) if scored and passed else (),
        )
        record = with_trials(record, trial)
    raise AssertionError("not finished after 250 trials")


@pytest.mark.parametrize(("search", "settings"), [("steps", [(40, 100), (40, 80)]), ("halving", [(40, 80), (30, 60)])])
def test_after_a_failed_long_run_one_clock_goes_back_in_turn_or_both_in_a_search_by_halving(
    search: str, settings: list[tuple[int, int]]
) -> None:
    limits = replace(sim.empty_record(1).limits, max_core_offset_mhz=50, max_memory_offset_mhz=100)
    steps = Steps(search=search, core_up_mhz=50, memory_up_mhz=100)
    record = replace(sim.empty_record(1), limits=limits, steps=steps)
    record = with_trials(record, made(0, 0), made(50, 0), made(50, 100))
    fails = {"is_endurance": True, "outcome": Outcome.FROZE}
    for core, memory in settings:
        before = proposal_for(record).setting
        record = with_trials(record, made(before.core_offset_mhz, before.memory_offset_mhz, **fails))
        step = proposal_for(record)
        assert step.is_endurance and step.start == before
        assert (step.setting.core_offset_mhz, step.setting.memory_offset_mhz) == (core, memory)


@pytest.mark.parametrize(("peak_c", "in_full"), [(None, False), (82.9, False), (83.0, True)])
def test_the_cautions_stand_in_full_where_the_last_trial_came_near_the_temperature_limit(
    peak_c: float | None, in_full: bool
) -> None:
    record = sim.empty_record(1)  # with a limit of 88 °C
    step = proposal_for(with_trials(record, made(0, 0, peak_temperature_c=peak_c)))
    assert (step.cautions == CAUTIONS) == in_full
    # A reset leaves no log: the temperature before it is the last that is known.
    crash = made(25, 0, outcome=Outcome.DRIVER_RESET)
    after = proposal_for(with_trials(record, made(0, 0, peak_temperature_c=peak_c), crash))
    assert (after.cautions == CAUTIONS) == in_full


@pytest.mark.parametrize(("limit_mhz", "in_full"), [(75, False), (74, True), (60, True)])
def test_the_cautions_stand_in_full_within_a_coarse_step_of_a_limit(limit_mhz: int, in_full: bool) -> None:
    record = replace(sim.empty_record(1), limits=replace(sim.empty_record(1).limits, max_core_offset_mhz=limit_mhz))
    step = proposal_for(with_trials(record, made(0, 0), made(25, 0)))
    assert step.setting.core_offset_mhz == 50 and (step.cautions == CAUTIONS) == in_full


def by_halving(record: TuningRecord) -> TuningRecord:
    return replace(record, steps=replace(record.steps, search="halving"))


@cache
def followed(seed: int, search: str) -> tuple[sim.SimulatedCard, TuningRecord, list[Proposal], Finished]:
    """A random card, and where the search ends on it; several tests look at the same cards."""
    rng = np.random.default_rng(seed)
    n_workloads = int(rng.integers(1, 4))
    card = sim.random_card(rng, n_workloads)
    record = sim.empty_record(n_workloads, heavy=bool(rng.integers(2)))
    return card, *sim.follow(card, by_halving(record) if search == "halving" else record, rng)


CARDS = (range(15), *(pytest.param(range(seed, seed + 37), marks=pytest.mark.slow) for seed in range(15, 200, 37)))


@pytest.mark.parametrize("seeds", CARDS)
def test_following_the_steps_finds_the_best_of_a_card_with_hidden_limits(seeds: range) -> None:
    """Within one coarse step of the true best that passes the endurance run, for 200 random cards."""
    for seed in seeds:
        card, record, proposals, finish = followed(seed, "steps")
        assert finish.best is not None
        assert card.holds(finish.best, -1), seed
        best_core_mhz, best_memory_mhz = card.best(record.limits)
        assert abs(finish.best.core_offset_mhz - best_core_mhz) <= 25.0, seed
        assert abs(finish.best.memory_offset_mhz - best_memory_mhz) <= 50.0, seed
        assert len(proposals) <= 60, seed


@pytest.mark.slow
def test_a_search_by_halving_ends_where_steps_do_with_little_more_than_half_the_trials() -> None:
    """On 200 random cards; within one fine step of where steps end, or faster, in 95 of 100."""
    n_trials: dict[str, list[int]] = {"steps": [], "halving": []}
    n_near = 0
    for seed in range(200):
        ends = []
        for search, lengths in n_trials.items():
            card, record, proposals, finish = followed(seed, search)
            lengths.append(len(proposals))
            assert finish.best is not None and card.holds(finish.best, -1), seed
            assert all(record.limits.allows(step.setting) for step in proposals), seed
            ends.append(finish.best)
        core_mhz = abs(ends[0].core_offset_mhz - ends[1].core_offset_mhz)
        memory_mhz = abs(ends[0].memory_offset_mhz - ends[1].memory_offset_mhz)
        n_near += (core_mhz <= 10 and memory_mhz <= 20) or card.true_fps(ends[1]) > card.true_fps(ends[0])
    assert n_near >= 190, n_near
    assert np.median(n_trials["halving"]) <= 16 < 0.6 * np.median(n_trials["steps"])


@pytest.mark.parametrize(("scatter_fps", "is_left_out"), [(0.02, False), (1.0, True)])
def test_fine_steps_are_left_out_where_they_cannot_gain_what_the_runs_tell_apart(
    scatter_fps: float, is_left_out: bool
) -> None:
    """3 runs that scatter by 1 % tell apart 4.303 * 1 % * sqrt(2/3) = 3.5 % (table of t, 2 degrees, 0.975)."""
    start = sim.empty_record(1)
    start = replace(start, limits=replace(start.limits, max_memory_offset_mhz=0))
    stock = made(0, 0, average_fps=(100.0 - scatter_fps, 100.0, 100.0 + scatter_fps))
    record = with_trials(start, stock, made(25, 0, average_fps=(100.6,)), made(50, 0, outcome=Outcome.FROZE))
    assert (proposal_for(record).phase is not Phase.FINE) == is_left_out
    assert resolved_pct(TrialView(record)) == pytest.approx(3.51 if is_left_out else 0.0703, rel=0.01)
    if is_left_out:
        long = made(25, 0, is_endurance=True, minutes=45.0, peak_temperature_c=70.0)
        finish = next_trial(with_trials(record, made(25, 0, average_fps=(100.6, 100.6)), long))
        assert isinstance(finish, Finished)
        assert finish.notes == (
            "The step from core +0 MHz to core +25 MHz gained 0.60 %, and 3 runs tell apart 3.5 %.",
            "Finer steps of the core clock are left out: they can gain at most 1.6 %, and 3 runs tell apart 3.5 %.",
        )


def test_the_step_doubles_while_it_passes_and_halves_after_a_failure() -> None:
    record = by_halving(
        replace(sim.empty_record(1), limits=replace(sim.empty_record(1).limits, max_core_offset_mhz=400))
    )
    tried: list[int] = []
    for _ in range(6):
        step = proposal_for(record)
        if step.phase is Phase.CORE:
            tried.append(step.setting.core_offset_mhz)
        outcome = Outcome.PASSED if step.setting.core_offset_mhz <= 230 else Outcome.FROZE
        record = with_trials(record, made(step.setting.core_offset_mhz, 0, outcome=outcome))
    assert tried == [50, 150, 350, 250, 200]
    near = by_halving(replace(sim.empty_record(1), limits=replace(record.limits, max_core_offset_mhz=35)))
    near = with_trials(near, made(0, 0), made(35, 0, outcome=Outcome.FROZE))
    assert proposal_for(near).setting.core_offset_mhz == 25, "a whole step below a limit that is none"


@pytest.mark.parametrize("start", [sim.empty_record(3), by_halving(sim.empty_record(3))], ids=["steps", "halving"])
@pytest.mark.parametrize("seeds", [range(300, 306), pytest.param(range(306, 320), marks=pytest.mark.slow)])
def test_every_step_on_the_way_keeps_the_laws(start: TuningRecord, seeds: range) -> None:
    for seed in seeds:
        rng = np.random.default_rng(seed)
        card = sim.random_card(rng, 3)
        record, proposals, _ = sim.follow(card, start, rng)
        for place, step in enumerate(proposals):
            before = replace(record, trials=record.trials[:place])
            check_laws(before, step)
            tried = {trial.setting for trial in before.trials} | {STOCK}
            assert step.start in tried or step.phase in (Phase.REPEATS, Phase.EVERYDAY)


def test_the_page_names_every_state_and_every_key() -> None:
    page = (Path(__file__).parents[2] / "docs" / "tuning.md").read_text("utf-8")
    for phase in Phase:
        assert f"*{phase.value}*" in page
    for key in (*TrialKeys.__struct_fields__, *(field.name for field in fields(Steps))):
        assert f"`{key}`" in page or f"\n{key} = " in page, key
