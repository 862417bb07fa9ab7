"""The search for less power: facts of the trade, laws, and cards with a hidden voltage edge."""

from __future__ import annotations

import re
import shlex
from dataclasses import replace

import numpy as np
import pytest
import simulated_savings as sim
from hypothesis import given, settings
from hypothesis import strategies as st

from frametime.render.charts.tuning_charts import powered
from frametime.render.report.html import render_html
from frametime.render.report.markdown import render_markdown
from frametime.render.report.tuning_report import tuning_charts, tuning_report
from frametime.render.tuning_text import next_step_text, summary_text
from frametime.tuning import knob_steps
from frametime.tuning.knob_steps import between, climb
from frametime.tuning.next_trial import _everyday_for, _other_workloads, next_trial
from frametime.tuning.proposal import Finished, Phase, Proposal
from frametime.tuning.record import STOCK, Outcome, Setting, Steps, Trial, TuningRecord
from frametime.tuning.summarizing import summarize
from frametime.tuning.trial_view import TrialView


def made(
    power_pct: float,
    voltage_mv: int,
    fps: float = 100.0,
    watts: float = 300.0,
    *,
    runs: int = 1,
    outcome: Outcome = Outcome.PASSED,
    **more: object,
) -> Trial:
    passed = outcome is Outcome.PASSED
    return Trial(
        setting=Setting(power_limit_pct=power_pct, core_voltage_offset_mv=voltage_mv),
        workload="courtyard",
        outcome=outcome,
        average_fps=(fps,) * runs if passed else (),
        average_power_w=(watts,) * runs if passed else (),
        **more,
    )


def proposal_for(*trials: Trial, **changed: object) -> Proposal:
    step = next_trial(replace(sim.empty_record(1, **changed), trials=trials))
    assert isinstance(step, Proposal)
    return step


STOCK_RUNS = made(100, 0, runs=3)


# Facts of the trade. Source of each: common practice, no source.


def test_stock_is_measured_three_times_and_the_power_limit_goes_first_by_5_pct() -> None:
    first = proposal_for()
    assert (first.phase, first.setting, first.n_runs) == (Phase.STOCK, STOCK, 3)
    second = proposal_for(STOCK_RUNS)
    assert (second.phase, second.setting, second.power_limit_w) == (Phase.POWER, Setting(power_limit_pct=95.0), 285.0)


def test_a_step_that_is_too_slow_goes_back_and_the_voltage_follows_by_10_mv() -> None:
    step = proposal_for(STOCK_RUNS, made(95, 0, 99.5, 285), made(90, 0, 96.9, 270))
    assert (step.phase, step.setting) == (Phase.VOLTAGE, Setting(power_limit_pct=95.0, core_voltage_offset_mv=-10))
    allowed = proposal_for(STOCK_RUNS, made(95, 0, 99.5, 285), made(90, 0, 96.9, 270), max_speed_loss_pct=4.0)
    assert (allowed.phase, allowed.setting) == (Phase.POWER, Setting(power_limit_pct=85.0))


def test_fewer_frames_per_joule_end_the_power_steps_where_efficiency_is_sought_and_not_where_quiet_is() -> None:
    trials = (STOCK_RUNS, made(95, 0, 99.0, 270), made(90, 0, 97.5, 269, runs=3))
    assert proposal_for(*trials).phase is Phase.VOLTAGE
    quiet = proposal_for(*trials, goal="quiet")
    assert (quiet.phase, quiet.setting.power_limit_pct) == (Phase.POWER, 85.0)


def test_one_slow_run_at_a_lower_voltage_ends_no_search_and_a_clear_loss_does() -> None:
    """Chance did on one of 200 cards whose power limit had left no speed to spare: a tenth of the saving was lost."""
    near = (STOCK_RUNS, made(95, 0, 97.1, 285), made(90, 0, 95.0, 270))
    step = proposal_for(*near, made(95, -10, 96.9, 285))
    assert (step.phase, step.setting) == (Phase.VOLTAGE, Setting(power_limit_pct=95.0, core_voltage_offset_mv=-20))
    # Nor is a voltage taken for one that holds its speed, untried, that lies 1 mV above.
    ended = proposal_for(*near, made(95, -10, 95.9, 270))
    assert (ended.phase, ended.setting) == (Phase.ENDURANCE, Setting(power_limit_pct=95.0))


@pytest.mark.parametrize(
    ("search", "first", "second", "third"), [("steps", -10, -20, -30), ("halving", -20, -60, -140)]
)
def test_more_power_at_no_less_speed_is_no_edge_and_less_of_both_speed_and_frames_per_joule_is(
    search: str, first: int, second: int, third: int
) -> None:
    """One lucky run ended the voltage steps at 10 mV of 65, in searches of five repeats: it cost 9 %.

    So it did the power steps of 1 in 6000 searches of three: the setting lay 5 % below the most, not 2.9 %.
    """
    found = (STOCK_RUNS, made(95, 0, 98.0, 285), made(90, 0, 95.0, 270), made(95, first, 99.5, 282))
    steps = Steps(search=search)
    on = proposal_for(*found, made(95, second, 99.5, 287, runs=3), steps=steps)
    assert (on.phase, on.setting) == (Phase.VOLTAGE, Setting(power_limit_pct=95.0, core_voltage_offset_mv=third))
    past = proposal_for(*found, made(95, second, 98.3, 287, runs=3), steps=steps)
    assert past.setting.turned("voltage") < -second


def test_after_the_edge_a_fine_step_and_then_the_power_limit_at_the_voltage_for_every_day() -> None:
    trials = (
        STOCK_RUNS,
        made(95, 0, 96.0, 285),
        made(100, -10, 100.5, 296),
        made(100, -20, 101.0, 292),
        made(100, -30, outcome=Outcome.DRIVER_RESET),
    )
    fine = proposal_for(*trials)
    assert (fine.phase, fine.setting) == (Phase.VOLTAGE, Setting(core_voltage_offset_mv=-24))
    finer = proposal_for(*trials, made(100, -24, outcome=Outcome.FROZE))
    assert (finer.phase, finer.setting) == (Phase.VOLTAGE, Setting(core_voltage_offset_mv=-22))
    again = proposal_for(*trials, *(made(100, mv, outcome=Outcome.FROZE) for mv in (-24, -22)))
    assert (again.phase, again.setting) == (
        Phase.POWER_AGAIN,
        Setting(power_limit_pct=95.0, core_voltage_offset_mv=-10),
    )


def test_no_voltage_is_kept_that_is_nearer_to_a_failed_one_than_a_fine_step() -> None:
    """Counted from the voltage that held, the steps ended 1 mV from one that failed: such a card held in 94 of 100."""
    held = (STOCK_RUNS, made(95, 0, 96.0, 285), made(100, -10, 100.5, 296), made(100, -20, 101.0, 292))
    failed = made(100, -30, outcome=Outcome.DRIVER_RESET)
    done = proposal_for(*held, failed, *(made(100, mv, 101.1, 290) for mv in (-24, -26, -28)))
    assert (done.phase, done.setting.turned("voltage")) == (Phase.POWER_AGAIN, 18)
    by_hand = proposal_for(*held, failed, made(100, -25, outcome=Outcome.FROZE))
    assert (by_hand.phase, by_hand.setting) == (Phase.VOLTAGE, Setting(core_voltage_offset_mv=-21))


@pytest.mark.parametrize("trial", [made(95, 0), made(95, -10), made(95, -10, is_endurance=True, minutes=45.0)])
def test_what_was_too_hot_at_less_power_is_no_edge_and_sends_no_one_to_a_higher_voltage(trial: Trial) -> None:
    """A long run at -60 mV that got too hot was followed by one at -57 mV, which is hotter still."""
    hot = replace(trial, peak_temperature_c=89.5)
    record = replace(sim.empty_record(1), trials=(STOCK_RUNS, made(90, 0, 95.0, 270), hot))
    stopped = next_trial(record)
    assert isinstance(stopped, Finished) and stopped.best is None
    assert stopped.reason == (
        f"Trial 3 ({trial.setting}) got too hot: 89.5 °C, above the limit of 88 °C. Stock draws no less. "
        "Once the cause is found, take the trial back and run it again. Look at cooling, power and the card first."
    )
    itself = next_trial(replace(record, trials=(replace(STOCK_RUNS, peak_temperature_c=89.5),)))
    assert isinstance(itself, Finished) and "draws no less" not in itself.reason
    # What draws less is not thought of as hot, and more clock is as hot as before.
    view = TrialView(record)
    assert view.status(Setting(power_limit_pct=90.0), 0) == "passed"
    assert view.status(Setting(core_offset_mhz=25, power_limit_pct=95.0), 1) == "failed"


def test_a_trial_without_its_power_is_not_compared_with_those_that_have_it() -> None:
    """Percent stood for W: that trial had three times the frames per joule, and the power steps ended there."""
    bare = replace(made(95, 0, 99.0), average_power_w=())
    step = proposal_for(STOCK_RUNS, bare, made(90, 0, 97.9, 270, runs=3))
    assert (step.phase, step.setting) == (Phase.POWER, Setting(power_limit_pct=85.0))
    note = "The last trial has no measured power, so it is not compared: run it again with a sensor log."
    assert note in proposal_for(STOCK_RUNS, bare).notes and note not in step.notes
    no_power = (replace(STOCK_RUNS, average_power_w=()), bare, replace(made(90, 0, 98.0), average_power_w=()))
    assert proposal_for(*no_power).phase is Phase.POWER and note not in proposal_for(*no_power).notes


NO_VOLTAGE = replace(sim.LIMITS, min_core_voltage_offset_mv=0)


def test_the_last_power_steps_go_where_a_straight_line_loses_what_is_allowed() -> None:
    trials = (STOCK_RUNS, made(95, 0, 99.0, 285), made(90, 0, 96.0, 270))
    step = proposal_for(*trials, limits=NO_VOLTAGE)
    # 97 % of stock speed: two thirds of the way from 99 to 96, less what is no whole step of 0.5 %.
    assert (step.phase, step.setting.power_limit_pct, step.n_runs) == (Phase.POWER_AGAIN, 92.0, 3)
    next_to_it = proposal_for(*trials, made(92, 0, 97.4, 276, runs=3), limits=NO_VOLTAGE)
    assert (next_to_it.phase, next_to_it.setting.power_limit_pct) == (Phase.POWER_AGAIN, 91.5)
    # From 97.1 to 96 % in 2 % of power, 0.1 % is lost in 0.18 %: no runs are spent on the half percent beyond.
    settled = proposal_for(*trials, made(92, 0, 97.1, 276, runs=3), limits=NO_VOLTAGE)
    assert (settled.phase, settled.setting.power_limit_pct) == (Phase.ENDURANCE, 92.0)


@pytest.mark.parametrize(
    ("fps", "power_limit_pct", "is_asked"),
    [(96.5, 95.0, False), (97.2, 90.0, True), (98.0, 85.0, True)],
    ids=["too slow there", "near what is allowed", "well fast enough there"],
)
def test_a_power_limit_measured_at_a_lower_voltage_is_measured_again_only_where_that_leaves_doubt(
    fps: float, power_limit_pct: float, is_asked: bool
) -> None:
    """A lighter load may cost a few mV: all power steps were made again then, 9 of 29 trials in the mean."""
    trials = (STOCK_RUNS, made(95, -50, 99.0, 280), made(90, -50, fps, 265))
    view = TrialView(replace(sim.empty_record(1), trials=trials))
    start = Setting(power_limit_pct=95.0, core_voltage_offset_mv=-47)
    answer = climb(view, Phase.POWER_AGAIN, start, "power", workload=view.record.heaviest)
    setting = answer.setting if isinstance(answer, Proposal) else answer
    assert (setting.power_limit_pct, setting.core_voltage_offset_mv) == (power_limit_pct, -47)
    assert isinstance(answer, Proposal) is is_asked


SLOW_ABOVE = [made(power_pct, 0, 99.9, 3 * power_pct) for power_pct in (95, 85, 80, 70)]
ONE_SLOW_BETWEEN = [made(100, mv, fps, 300) for mv, fps in ((-20, 100.0), (-60, 96.5), (-40, 92.0), (-30, 100.0))]


@pytest.mark.parametrize(
    ("trials", "loss_pct", "answer"),
    [
        ((made(90, 0, 100.1, 270), *SLOW_ABOVE), 0.0, (Phase.POWER_AGAIN, 88.0, 0)),
        ((made(90, 0, 96.0, 270), made(95, 0, 96.0, 285), *ONE_SLOW_BETWEEN), 3.0, (Phase.POWER_AGAIN, 90.0, -20)),
    ],
    ids=["a limit that is too slow above one that is not", "a voltage that is too slow between two that are not"],
)
def test_a_search_by_halving_ends_where_speeds_contradict_each_other(
    monkeypatch: pytest.MonkeyPatch, trials: tuple[Trial, ...], loss_pct: float, answer: tuple[Phase, float, int]
) -> None:
    """Where the power limit does not bind, speeds differ by chance; the search went round and round for ever."""
    looks, best_of = iter(range(99)), knob_steps._best

    def best(*told: object) -> Setting:
        assert next(looks, None) is not None, "it goes round"
        return best_of(*told)

    monkeypatch.setattr(knob_steps, "_best", best)
    changed = {"goal": "quiet", "max_speed_loss_pct": loss_pct, "steps": Steps(search="halving")}
    limits = NO_VOLTAGE if loss_pct == 0.0 else sim.LIMITS
    step = proposal_for(STOCK_RUNS, *trials, limits=limits, **changed)
    assert (step.phase, step.setting.power_limit_pct, step.setting.core_voltage_offset_mv) == answer


def test_no_limit_is_passed_on_a_straight_line_to_a_trial_that_was_made_beyond_it() -> None:
    changed = {"limits": replace(NO_VOLTAGE, min_power_limit_pct=90.7)}
    slow = [made(power_pct, 0, 96.95, 3 * power_pct) for power_pct in (90.7, 90.2)]
    step = proposal_for(STOCK_RUNS, made(95, 0, 99.9, 285), *slow, **changed)
    assert (step.phase, step.setting.power_limit_pct) == (Phase.POWER_AGAIN, 91.0)


def test_after_a_failed_long_run_the_voltage_is_said_to_go_back_and_no_clock() -> None:
    limits = replace(sim.LIMITS, min_core_voltage_offset_mv=-10, min_power_limit_pct=100.0)
    held = (STOCK_RUNS, made(100, -10))
    assert proposal_for(*held, limits=limits).is_endurance
    step = proposal_for(*held, made(100, -10, outcome=Outcome.DRIVER_RESET, is_endurance=True), limits=limits)
    assert step.is_endurance and step.setting.core_voltage_offset_mv == -8
    assert "It failed at core voltage \N{MINUS SIGN}10 mV: back by a fine step. " in step.reason


def test_a_power_limit_at_other_clocks_says_nothing_of_one_at_these() -> None:
    at_other_clocks = made(85, -50, 99.0, 260)
    at_other_clocks = replace(at_other_clocks, setting=replace(at_other_clocks.setting, core_offset_mhz=90))
    view = TrialView(replace(sim.empty_record(1), trials=(STOCK_RUNS, at_other_clocks)))
    assert view.speed_to_spare(at_other_clocks.setting) == pytest.approx(0.02)
    assert view.spare_at_lower_voltage(Setting(power_limit_pct=85.0, core_voltage_offset_mv=-47)) is None
    same_clocks = Setting(power_limit_pct=85.0, core_voltage_offset_mv=-47, core_offset_mhz=90)
    assert view.spare_at_lower_voltage(same_clocks) == pytest.approx(0.02)


def test_between_a_power_limit_and_one_that_is_fast_enough_and_worth_less_nothing_is_sought() -> None:
    trials = (STOCK_RUNS, made(95, 0, 99.0, 270), made(90, 0, 97.5, 269, runs=3))
    step = proposal_for(*trials, limits=NO_VOLTAGE)
    assert (step.phase, step.setting.power_limit_pct) == (Phase.ENDURANCE, 95.0)


def test_a_straight_line_goes_from_a_power_limit_that_was_measured_at_a_lower_voltage_too() -> None:
    trials = (STOCK_RUNS, made(95, -50, 99.0, 280), made(90, -47, 96.0, 265))
    view = TrialView(replace(sim.empty_record(1), trials=trials))
    start = Setting(power_limit_pct=95.0, core_voltage_offset_mv=-47)
    answer = between(view, Phase.POWER_AGAIN, start, "power", workload=view.record.heaviest)
    # 97 % of stock speed: two thirds of the way from 99 to 96.
    assert isinstance(answer, Proposal) and answer.setting.power_limit_pct == 92.0
    assert "power limit 92 % stops short of the next coarse step" in answer.reason  # above it: the limit goes down


@pytest.mark.parametrize(("known", "missing"), [("average_power_w", "Temperature"), ("peak_temperature_c", "Power")])
def test_a_sensor_log_without_one_of_its_quantities_is_not_said_to_be_missing(known: str, missing: str) -> None:
    trial = replace(STOCK_RUNS, sensors=("one.csv",), average_power_w=(), peak_temperature_c=None)
    trial = replace(trial, **{known: 70.0 if known == "peak_temperature_c" else (280.0,)})
    not_known = summarize(replace(sim.empty_record(1), trials=(trial,))).not_known
    (told,) = [text for text in not_known if text.startswith(("Power", "Temperature"))]
    assert told.startswith(f"{missing}: none was measured, so ")


def test_a_voltage_that_failed_is_not_tried_under_another_power_limit_and_one_that_held_is() -> None:
    record = sim.empty_record(1)
    view = TrialView(replace(record, trials=(made(90, -50), made(90, -80, outcome=Outcome.FROZE))))
    assert view.status(Setting(power_limit_pct=90.0, core_voltage_offset_mv=-40), 0) == "passed"
    assert view.status(Setting(power_limit_pct=95.0, core_voltage_offset_mv=-40), 0) == "unknown"
    assert view.status(Setting(power_limit_pct=95.0, core_voltage_offset_mv=-80), 0) == "failed"


def test_a_lower_voltage_has_to_hold_under_lighter_workloads_too() -> None:
    record = sim.empty_record(2)
    heavy = replace(made(90, -50), workload="canyon")
    view = TrialView(replace(record, trials=(heavy,)))
    lowered = Setting(power_limit_pct=90.0, core_voltage_offset_mv=-50)
    assert (view.status(lowered, 1), view.status(lowered, 0)) == ("passed", "unknown")
    # So a failure there is no sign of age.
    crash = made(90, -50, outcome=Outcome.FROZE)
    assert TrialView(replace(record, trials=(heavy, crash))).aged == ()
    assert len(TrialView(replace(record, trials=(heavy, replace(crash, workload="canyon")))).aged) == 1
    clocks = Trial(setting=Setting(core_offset_mhz=50), workload="canyon", outcome=Outcome.PASSED)
    assert TrialView(replace(record, trials=(clocks,))).status(Setting(core_offset_mhz=50), 0) == "passed"


def test_a_voltage_that_fails_under_a_lighter_workload_goes_back_by_a_fine_step() -> None:
    crash = made(90, -37, outcome=Outcome.FROZE)  # under the lighter one
    view = TrialView(replace(sim.empty_record(2), trials=(crash,)))
    answer = _other_workloads(view, Setting(power_limit_pct=90.0, core_voltage_offset_mv=-37))
    assert isinstance(answer, Proposal) and answer.setting.core_voltage_offset_mv == -35


def test_the_heaviest_workload_is_run_once_for_a_voltage_that_a_long_run_follows() -> None:
    lighter = made(90, -30, runs=3)
    view = TrialView(replace(sim.empty_record(2), trials=(lighter,)))
    answer = _other_workloads(view, Setting(power_limit_pct=90.0, core_voltage_offset_mv=-30))
    assert isinstance(answer, Proposal) and (answer.workload, answer.n_runs) == ("canyon", 1)


def test_of_two_settings_at_the_same_power_the_faster_one_is_on_the_frontier() -> None:
    trials = (STOCK_RUNS, made(90, 0, 97.0, 270), made(90, -20, 98.0, 270))
    rows = summarize(replace(sim.empty_record(1), trials=trials)).settings
    assert {row.setting.core_voltage_offset_mv: row.is_frontier for row in rows[:2]} == {-20: True, 0: False}


def test_an_everyday_setting_that_is_too_slow_gets_power_back_until_it_is_not_known_to_be() -> None:
    view = TrialView(replace(sim.empty_record(1), trials=(STOCK_RUNS, made(90, -20, 96.0), made(90.5, -20, 96.5))))
    everyday = _everyday_for(view, Setting(power_limit_pct=90.0, core_voltage_offset_mv=-20))
    assert (everyday.power_limit_pct, everyday.core_voltage_offset_mv) == (91.0, -20)


def test_a_long_run_of_the_least_length_at_the_limit_of_heat_holds_and_shows_the_load_that_it_ran_under() -> None:
    long = made(90, -20, is_endurance=True, minutes=30.0, peak_temperature_c=sim.LIMITS.temperature_c)
    view = TrialView(replace(sim.empty_record(2), trials=(replace(long, workload="canyon"),)))
    lowered = Setting(power_limit_pct=90.0, core_voltage_offset_mv=-20)
    assert [view.status(lowered, weight) for weight in range(3)] == ["unknown", "passed", "passed"]


def test_a_failure_before_a_pass_is_no_sign_of_age_and_no_gap_above_a_turn_that_passed_since() -> None:
    crash = made(90, -30, outcome=Outcome.FROZE)
    assert TrialView(replace(sim.empty_record(1), trials=(crash, made(90, -30)))).aged == ()
    aged = TrialView(replace(sim.empty_record(1), trials=(made(90, -30), crash))).aged
    assert len(aged) == 1 and aged[0].startswith("Trial 2 (core voltage")
    # What failed with a higher clock too is open, as long as it has not passed with this one.
    fast = replace(crash, setting=replace(crash.setting, core_offset_mhz=25))
    start = Setting(power_limit_pct=90.0, core_voltage_offset_mv=-20)
    for trials, failure in (((fast,), 30), ((fast, made(90, -30)), None)):
        view = TrialView(replace(sim.empty_record(1), trials=trials))
        assert view.failure_above(start, "voltage", 0) == failure


def test_the_best_so_far_is_fast_enough_and_the_nearest_lower_voltage_tells_the_speed_to_spare() -> None:
    trials = (STOCK_RUNS, made(95, 0, 99.0, 285), made(85, 0, 96.0, 250), made(85, -30, 97.5, 250))
    record = replace(sim.empty_record(1), trials=(*trials, made(85, -60, 98.5, 250)))
    best = summarize(replace(record, trials=trials[:3])).best
    assert best is not None and best.power_limit_pct == 95.0  # 85 % has the most frames per joule, and is too slow
    assert TrialView(record).spare_at_lower_voltage(Setting(power_limit_pct=85.0)) == pytest.approx(0.005)


def test_each_lighter_workload_is_run_as_often_as_a_speed_for_chance_holds_one_run_near_the_edge() -> None:
    """After one run each, 5 of 6000 simulated cards held in less than 98 of 100 runs of a year, the worst in 97."""
    trials = (STOCK_RUNS, made(100, -10), made(100, -20, outcome=Outcome.FROZE))
    trials += tuple(made(100, mv, outcome=Outcome.FROZE) for mv in (-11, -14))
    heavy = tuple(replace(trial, workload="canyon") for trial in trials)
    limits = replace(sim.LIMITS, min_power_limit_pct=100.0)
    step = proposal_for(*heavy, limits=limits, workloads=sim.empty_record(2).workloads)
    assert (step.phase, step.workload, step.n_runs) == (Phase.OTHERS, "courtyard", 3)


def test_the_heaviest_workload_is_not_told_to_be_a_lighter_load() -> None:
    lowered = Setting(power_limit_pct=90.0, core_voltage_offset_mv=-50)
    for trials, workload, is_lighter in (((), "courtyard", True), ((made(90, -50),), "canyon", False)):
        step = _other_workloads(TrialView(replace(sim.empty_record(2), trials=trials)), lowered)
        assert isinstance(step, Proposal) and step.workload == workload
        assert ("under a lighter load" in step.reason) is is_lighter


def test_of_a_trial_beyond_the_limits_those_are_named_that_it_passed() -> None:
    (note,) = proposal_for(STOCK_RUNS, made(45, -210, 99.0)).notes
    assert note == (
        "Trial 2 was set to core voltage −210 mV, power limit 45 %, beyond the limits of the record "
        "(core voltage −200 mV, power limit 50 %): go back to them; the manufacturer's limits come first."
    )


def test_no_speed_is_guessed_and_the_next_trial_says_what_is_needed() -> None:
    step = proposal_for(replace(STOCK_RUNS, average_fps=(), average_power_w=()))
    assert step.setting == STOCK and "frame logs and sensor logs" in step.reason


def test_a_power_limit_in_watts_is_the_same_setting_as_in_percent() -> None:
    noted = replace(made(100, 0, 99.5, 285), power_limit_w=285.0)
    assert proposal_for(STOCK_RUNS, noted).setting == Setting(power_limit_pct=90.0)
    record = sim.empty_record(1)
    for pct, watts in ((84.5, 253), (84.5, 254), (84.0, 252), (83.5, 250), (100.0 * 251.3 / 300, 251.3)):
        assert record.placed(replace(noted, power_limit_w=watts)).power_limit_pct == pct


def test_the_text_names_the_watts_and_the_options_and_reminds_of_the_fan() -> None:
    told = next_step_text(proposal_for(replace(STOCK_RUNS, fan_curve="flat 45 %")), record="tuning.toml")
    assert "set       power limit 95 % (285 W)\n" in told
    assert "--power-limit-pct 95 --workload courtyard" in told
    assert "--core" not in told
    assert "fan curve of its own: flat 45 %" in " ".join(told.split())


def test_a_name_with_an_apostrophe_is_one_word_in_a_posix_shell_and_in_powershell() -> None:
    step = replace(proposal_for(STOCK_RUNS), workload="O'Neill's run")
    (command,) = [line for line in next_step_text(step, record="my run.toml").splitlines() if "--workload" in line]
    # PowerShell makes two words of what shlex.quote writes: 'O'"'"'Neill' (about_Quoting_Rules).
    assert "add 'my run.toml' --power-limit-pct 95 --workload \"O'Neill's run\" --outcome" in command
    assert "O'Neill's run" in shlex.split(command)


def test_what_the_watts_cost_is_told_and_the_frontier_is_marked() -> None:
    runs = {"average_fps": (98.7, 98.8, 98.9), "average_power_w": (245.0, 246.0, 247.0)}
    tuned = replace(made(82, -40, runs=3), **runs)
    stock = replace(STOCK_RUNS, average_fps=(99.9, 100.0, 100.1), average_power_w=(299.0, 300.0, 301.0))
    everyday = replace(tuned, setting=Setting(power_limit_pct=82.0, core_voltage_offset_mv=-30))
    worse = made(95, 0, 98.0, 285)
    summary = summarize(replace(sim.empty_record(1), trials=(stock, worse, tuned, everyday)))
    assert {str(row.setting): row.is_frontier for row in summary.settings} == {
        "core voltage −40 mV, power limit 82 %": True,
        "core voltage −30 mV, power limit 82 %": True,
        "core +0 MHz, memory +0 MHz": True,
        "power limit 95 %": False,
    }
    told = summary_text(summary, record="tuning.toml")
    # 246 of 300 W; scipy.stats.ttest_ind(log(runs), log(stock), equal_var=False).confidence_interval() gives the range.
    assert (
        "trade     \N{MINUS SIGN}18.0 % power for \N{MINUS SIGN}1.2 % speed (\N{MINUS SIGN}1.4 to \N{MINUS SIGN}1.0 %)"
        in told
    )
    assert summary.clock_map == ()
    report = render_markdown(tuning_report(summary))
    assert "Every day: core voltage" in report and "The clocks were left as delivered" in report
    # What the goal is about heads both cards: lost speed did.
    assert report.count("**\N{MINUS SIGN}18.0 %** (95 % interval \N{MINUS SIGN}") == 2
    assert report.count("), Average power over stock under courtyard.") == 2
    assert report.count("- Speed over stock: \N{MINUS SIGN}1.2 %, 95 % interval \N{MINUS SIGN}1.4 to") == 2
    assert report.count("- Frames per joule: 0.402") == 2
    one = render_markdown(tuning_report(summarize(replace(sim.empty_record(1), trials=(STOCK_RUNS, worse)))))
    assert "- Speed over stock: \N{MINUS SIGN}2.0 %\n" in one
    # No line of the page ends between a number and its unit.
    page = render_html(tuning_report(summary))
    assert "voltage \N{MINUS SIGN}40\N{NO-BREAK SPACE}mV" in page and not re.search(r"\d (mV|MHz)\b", page)
    assert "courtyard. Power limit 95 % holds under" in report and "- Core voltage" in report
    # The goal is frames per joule, in a review as well: the same number has no second name here.
    assert "FPS/W" in told and "Frames per joule |" in report and "per watt" not in told + report


def test_power_that_was_measured_but_not_at_stock_is_not_said_to_lack_a_sensor_log_and_no_clock_is_told_of() -> None:
    alone, bare = replace(made(90, -20), workload="canyon"), replace(made(85, -20), average_power_w=())
    record = replace(sim.empty_record(2), trials=(STOCK_RUNS, made(90, 0, 98.0, 270), alone, bare))
    report = tuning_report(summarize(record))
    page = render_html(report)
    assert "no power at stock" in page and "no sensor log" in page
    assert "Past the edge" not in [section.heading for section in report.sections]
    # Where a clock was turned it is told of.
    clock = Trial(setting=Setting(core_offset_mhz=25), workload="canyon", outcome=Outcome.PASSED, average_fps=(101.0,))
    assert "edge" in [section.key for section in tuning_report(summarize(replace(record, trials=(clock,)))).sections]


def test_a_voltage_that_failed_is_on_no_frontier_and_one_that_was_not_run_under_each_workload_is_doubtful() -> None:
    """It stood there as one that none beats, though the card had crashed at that voltage under a lighter load."""
    stock, low, lower = STOCK_RUNS, made(95, -40, 99.0, 270), made(95, -50, 99.5, 265)
    heavy = tuple(replace(trial, workload="canyon") for trial in (stock, low, lower))
    record = replace(sim.empty_record(2), trials=heavy)

    def frontier(record: TuningRecord) -> set[Setting]:
        return {row.setting for row in summarize(record).settings if row.is_frontier}

    assert frontier(record) == {STOCK, lower.setting}
    assert [row.setting for row in powered(summarize(record))] == [lower.setting, low.setting, STOCK]
    crash = made(90, -50, outcome=Outcome.DRIVER_RESET)
    summary = summarize(replace(record, trials=(*heavy, crash)))
    assert frontier(replace(record, trials=(*heavy, crash))) == {STOCK, low.setting}
    assert [row.setting for row in powered(summary)] == [low.setting, STOCK]
    assert summary.best == low.setting
    drawn = next(figure.alternative for figure in tuning_charts(summary) if "power" in figure.key)
    assert str(low.setting) in drawn and str(lower.setting) not in drawn
    assert f"Whether {low.setting} holds under courtyard: a lower voltage has to be run there too." in summary.not_known
    held = replace(record, trials=(*heavy, crash, low))
    assert not any("has to be run there" in told for told in summarize(held).not_known)


@pytest.mark.parametrize("goal", ["efficiency", "quiet"])
def test_a_search_is_shown_in_lines_of_80_columns_but_for_the_commands(goal: str) -> None:
    rng = np.random.default_rng(11)
    card = sim.random_card(rng, 2)
    record, _, _ = sim.follow(card, sim.empty_record(2, goal=goal), rng)
    for n_trials in (len(record.trials) // 2, len(record.trials)):
        told = summary_text(summarize(replace(record, trials=record.trials[:n_trials])), record="tuning.toml")
        wide = [line for line in told.splitlines() if len(line) > 80 and "frametime tune add" not in line]
        assert wide == []
    assert "Speed of the settings under courtyard\n" in told and "Speed of the settings under canyon\n" in told


# Laws.


def check_laws(record: TuningRecord, step: Proposal) -> None:
    assert record.limits.allows(step.setting)
    assert step.setting.turned("voltage") >= 0 and step.setting.turned("core") == step.setting.turned("memory") == 0
    failed = [item.setting for item in TrialView(record).evidence if not item.holds]
    if not step.is_endurance:
        failed = [
            item.setting
            for item in TrialView(record).evidence
            if not item.holds and item.weight <= record.weight_of(step.workload)
        ]
    assert not any(step.setting.fails_with(one) for one in failed), step
    if step.phase not in (Phase.EVERYDAY, Phase.STOCK):
        changed = [axis for axis in ("voltage", "power") if step.setting.turned(axis) != step.start.turned(axis)]
        assert len(changed) <= 1, step


@st.composite
def records(draw: st.DrawFn) -> TuningRecord:
    """Trials of any setting, order and outcome, some beyond limits that were set later, or noted in watts."""
    limits = replace(
        sim.LIMITS,
        min_core_voltage_offset_mv=draw(st.sampled_from([0, -7, -33, -200])),
        min_power_limit_pct=draw(st.sampled_from([50.0, 71.7, 90.7, 100.0])),
    )
    steps = Steps(search=draw(st.sampled_from(["steps", "halving"])), power_fine_pct=draw(st.sampled_from([0.5, 2.5])))
    loss_pct, goal = draw(st.sampled_from([0.0, 3.0])), draw(st.sampled_from(["efficiency", "quiet"]))
    record = sim.empty_record(2, limits=limits, steps=steps, goal=goal, max_speed_loss_pct=loss_pct)
    trial = st.builds(
        Trial,
        setting=st.builds(
            Setting,
            core_voltage_offset_mv=st.sampled_from([0, -3, -7, -10, -20, -30, -40, -60, -210]),
            power_limit_pct=st.sampled_from([100.0, 95.0, 90.2, 90.0, 85.0, 70.0, 45.0]),
        ),
        workload=st.sampled_from(["courtyard", "canyon"]),
        outcome=st.one_of(st.just(Outcome.PASSED), st.sampled_from(list(Outcome))),
        is_endurance=st.booleans(),
        minutes=st.sampled_from([10.0, 45.0]),
        average_fps=st.lists(st.floats(90.0, 101.0), max_size=3).map(tuple),
        average_power_w=st.sampled_from([(), (200.0,), (300.0,)]),
        peak_temperature_c=st.sampled_from([None, 70.0, 95.0]),
    )
    stock = draw(st.sampled_from([(), (replace(STOCK_RUNS, workload="canyon"),)]))
    return replace(record, trials=(*stock, *draw(st.lists(trial, max_size=12))))


def fails_by(trial: Trial, setting: Setting) -> bool:
    """Whether a failed trial speaks against a setting: heat against all that draws no less, the rest beyond it."""
    failed = trial.setting
    if trial.outcome is Outcome.PASSED:
        is_no_higher = setting.core_voltage_offset_mv >= failed.core_voltage_offset_mv
        return is_no_higher and setting.power_limit_pct >= failed.power_limit_pct
    is_lower = setting.core_voltage_offset_mv <= failed.core_voltage_offset_mv
    return is_lower and (failed.core_voltage_offset_mv < 0 or setting.power_limit_pct <= failed.power_limit_pct)


@given(records())
@settings(max_examples=100, deadline=None)
def test_any_record_gets_an_answer_within_its_limits_that_nothing_which_failed_speaks_against(
    record: TuningRecord,
) -> None:
    """5000 records by hand, each followed to its end, kept these laws; some of them went round for ever."""
    step = next_trial(record)
    failed = [trial for trial in record.trials if TrialView(record).failure_of(trial) is not None]
    answers = [step.setting] if isinstance(step, Proposal) else [one for one in (step.best, step.everyday) if one]
    for setting in answers:
        assert record.limits.allows(setting) and setting.core_voltage_offset_mv <= 0 <= setting.turned("power")
        assert (setting.core_offset_mhz, setting.memory_offset_mhz) == (0, 0)
        weight = record.endurance_weight
        if isinstance(step, Proposal) and not step.is_endurance:
            weight = record.weight_of(step.workload)
        for trial in failed:
            load = record.weight_of(trial.workload) + (0.5 if trial.is_endurance else 0.0)
            assert load > weight or not fails_by(trial, setting), (setting, trial)
    if isinstance(step, Proposal) or step.best is not None:
        assert not any(fails_by(trial, STOCK) for trial in failed), "the search goes on, and stock fails"
    if isinstance(step, Finished) and step.best is not None:
        long = [trial for trial in record.trials if trial.is_endurance and trial not in failed]
        assert any(one.minutes == 45.0 and one.setting.proves(step.best) for one in long)


CARDS = (range(300, 306), pytest.param(range(306, 320), marks=pytest.mark.slow))


@pytest.mark.parametrize("seeds", CARDS, ids=["few", "rest"])
@pytest.mark.parametrize("search", ["steps", "halving"])
def test_every_step_on_the_way_keeps_the_laws(search: str, seeds: range) -> None:
    for seed in seeds:
        rng = np.random.default_rng(seed)
        card = sim.random_card(rng, 2)
        start = sim.empty_record(2, steps=Steps(search=search), goal=("efficiency", "quiet")[seed % 2])
        record, proposals, finish = sim.follow(card, start, rng)
        for place, step in enumerate(proposals):
            check_laws(replace(record, trials=record.trials[:place]), step)
        assert isinstance(finish, Finished) and finish.everyday is not None
        assert finish.everyday.turned("voltage") <= finish.best.turned("voltage")


@pytest.mark.slow
@pytest.mark.parametrize("search", ["steps", "halving"])
def test_the_everyday_setting_holds_for_a_year_and_lies_near_the_most_frames_per_joule(search: str) -> None:
    """Of 200 random cards all hold in 98 of 100 runs, and all but one lie within 2 % of the most: that one by 2.02 %.

    Over 4800 other cards and both searches 4 settings held in less than 98 of 100 (97.2 the least), 0.5 % lay beyond
    2 %, and the farthest by 2.8 %. Voltage steps of 3 mV left 1.1 % beyond 2 % and held no more often.
    The most is that of a setting on the edge of 98 runs of a year. A search that knew the edge of spring, and stepped
    back from it by the 10 mV of common practice, would come as near in the mean, and to 1.2 % at worst. What is lost is
    the voltage: it has to hold in many runs that scatter. With the best power limit at the voltages that were found,
    0.6 % are lost in the mean, and 15 of 9600 settings lie beyond 2 %.
    """
    short_pct, n_trials = [], []
    for seed in range(200):
        rng = np.random.default_rng(seed)
        n_workloads = int(rng.integers(1, 4))
        card = sim.random_card(rng, n_workloads)
        record, proposals, finish = sim.follow(card, sim.empty_record(n_workloads, steps=Steps(search=search)), rng)
        assert finish.everyday is not None
        assert sim.share_of_year_that_holds(card, finish.everyday) >= 0.98, seed
        fps, watts = card.speed_and_watts(*sim.place(finish.everyday))
        stock_fps, _ = card.speed_and_watts(*sim.place(STOCK))
        assert fps >= stock_fps * (1.0 - (record.max_speed_loss_pct + 1.0) / 100.0), seed
        short_pct.append(100.0 * (1.0 - float(fps / watts) / sim.best_frames_per_joule(card, record)))
        n_trials.append(len(proposals))
    assert np.sum(np.array(short_pct) > 2.0) <= 1
    assert max(short_pct) <= 2.1
    assert np.median(n_trials) <= {"steps": 26, "halving": 24}[search]
