"""What a record of trials shows, on records whose answers are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from frametime.tuning.record import CAUTIONS, CardFacts, Limits, Outcome, Setting, Steps, Trial, TuningRecord, Workload
from frametime.tuning.summarizing import summarize


def trial(core: int, memory: int, *fps: float, workload: str = "canyon", **more: object) -> Trial:
    return Trial(
        setting=Setting(core_offset_mhz=core, memory_offset_mhz=memory),
        workload=workload,
        outcome=more.pop("outcome", Outcome.PASSED),
        average_fps=fps,
        **more,
    )


def record_of(*trials: Trial, **limits: float) -> TuningRecord:
    return TuningRecord(
        card=CardFacts(name="Borealis 8"),
        limits=replace(
            Limits(temperature_c=85.0, max_core_offset_mhz=250, max_memory_offset_mhz=800, power_w=250.0), **limits
        ),
        workloads=(Workload(name="courtyard"), Workload(name="canyon")),
        steps=Steps(),
        trials=trials,
    )


STOCK_RUNS = trial(0, 0, 99.0, 100.0, 101.0)


def test_the_gain_is_a_ratio_of_geometric_means_with_welch_interval_over_runs() -> None:
    summary = summarize(record_of(STOCK_RUNS, trial(50, 0, 104.0, 105.0, 106.0)))
    row = next(row for row in summary.settings if row.setting.core_offset_mhz == 50)
    assert row.gain is not None
    assert row.gain.interval is not None
    geometric = (104 * 105 * 106 / (99 * 100 * 101)) ** (1 / 3)
    assert row.gain.value == pytest.approx(geometric, rel=1e-12)
    assert row.gain.interval.low < geometric < row.gain.interval.high
    assert (row.gain.n_candidate, row.gain.n_baseline) == (3, 3)
    assert row.gain_pct_per_mhz == pytest.approx(100.0 * (geometric - 1.0) / 50.0, rel=1e-9)


def test_runs_of_several_trials_at_one_setting_are_repeats_and_failures_are_not() -> None:
    summary = summarize(
        record_of(
            STOCK_RUNS,
            trial(50, 0, 104.0),
            trial(50, 0, 106.0),
            trial(75, 0, 120.0, outcome=Outcome.ARTIFACTS),
            trial(50, 0, 90.0, is_endurance=True, minutes=45.0),
        )
    )
    rows = {row.setting.core_offset_mhz: row for row in summary.settings}
    assert rows[50].n_runs == 2
    assert 75 not in rows


def test_a_credibly_slower_higher_clock_is_past_the_edge_and_a_single_run_is_not_known() -> None:
    summary = summarize(
        record_of(
            STOCK_RUNS,
            trial(0, 50, 104.0, 104.1, 104.2),
            trial(0, 100, 102.0, 102.1, 102.2),
            trial(25, 50, 101.0),
        )
    )
    (edge,) = summary.past_edge
    assert (edge.setting.memory_offset_mhz, edge.slower_than.memory_offset_mhz, edge.clock) == (100, 50, "memory")
    assert edge.ratio.interval is not None
    assert edge.ratio.interval.high < 1.0
    assert any("core +25 MHz, memory +50 MHz is past the edge" in sentence for sentence in summary.not_known)


def test_the_everyday_cost_is_measured_where_it_was_and_predicted_where_not() -> None:
    line = [
        trial(core, memory, *(100.0 * np.exp(2e-4 * core + 1e-5 * memory + noise) for noise in (-5e-4, 0.0, 5e-4)))
        for core, memory in ((0, 0), (50, 0), (50, 200), (75, 200))
    ]
    predicted = summarize(record_of(*line)).everyday_cost
    assert predicted is not None
    assert predicted.kind == "predicted"
    # Everyday lies 25 MHz and 100 MHz below: the line falls by 2e-4 * 25 + 1e-5 * 100 = 0.006.
    assert predicted.value == pytest.approx(np.exp(-0.006), rel=1e-9)
    assert predicted.interval is not None
    assert predicted.interval.low < predicted.value < predicted.interval.high
    once = summarize(record_of(*line, trial(50, 100, 101.0))).everyday_cost
    assert once is not None and once.how.startswith("1 run at the everyday setting, ")
    measured = summarize(record_of(*line, trial(50, 100, 101.0, 101.1, 101.2))).everyday_cost
    assert measured is not None
    assert measured.kind == "measured"
    assert measured.value == pytest.approx((101.0 * 101.1 * 101.2) ** (1 / 3) / (100.0 * np.exp(0.017)), rel=1e-6)


def test_fps_per_watt_is_average_fps_over_average_power() -> None:
    summary = summarize(record_of(trial(0, 0, 100.0, 100.0, average_power_w=(190.0, 210.0))))
    assert summary.settings[0].frames_per_joule == pytest.approx(0.5)
    assert summary.trials[0].frames_per_joule == pytest.approx(0.5)


def test_the_map_says_what_passed_and_what_failed() -> None:
    summary = summarize(
        record_of(
            trial(0, 0, workload="courtyard"),
            trial(25, 0, workload="courtyard"),
            trial(25, 0, outcome=Outcome.FROZE),
            trial(50, 0, workload="courtyard", peak_temperature_c=90.0),
            trial(0, 0, is_endurance=True, minutes=40.0),
        )
    )
    cells = {cell.setting.core_offset_mhz: cell for cell in summary.map}
    assert (cells[0].status, cells[0].heaviest_passed) == ("passed", "endurance")
    assert (cells[25].status, cells[25].failed_under, cells[25].heaviest_passed) == ("failed", "canyon", "courtyard")
    assert (cells[50].status, cells[50].failed_under) == ("failed", "courtyard")
    assert summary.trials[3].failure == "90 °C, above the limit of 85 °C"


def test_the_map_does_not_believe_a_pass_above_a_later_failure() -> None:
    summary = summarize(
        record_of(
            trial(0, 0, workload="courtyard"),
            trial(50, 0, workload="courtyard"),
            trial(25, 0, workload="courtyard", outcome=Outcome.FROZE),
        )
    )
    cells = {cell.setting.core_offset_mhz: cell for cell in summary.map}
    assert (cells[50].status, cells[50].failed_under, cells[50].heaviest_passed) == ("failed", "courtyard", None)


def test_nothing_beyond_the_limits_is_best_however_fast() -> None:
    summary = summarize(record_of(STOCK_RUNS, trial(250, 0, 110.0), trial(275, 0, 130.0)))
    assert summary.best == Setting(core_offset_mhz=250)
    assert summary.everyday is not None and summary.everyday.core_offset_mhz == 225


def test_what_is_not_known_is_said() -> None:
    nothing = summarize(record_of())
    assert nothing.best is None
    assert nothing.not_known == ("No setting holds under 'canyon', the heaviest workload, so far.",)
    some = " ".join(summarize(record_of(trial(0, 0, 100.0), trial(25, 0, 101.0))).not_known)
    for words in (
        "not finished",
        "endurance run of 30 to 60 minutes",
        "1 measured run at stock",
        "Power",
        "Temperature",
    ):
        assert words in some
    unsure = summarize(record_of(trial(0, 0, 99.0, 101.0), trial(25, 0, 99.5, 101.0)))
    assert any("faster than stock at all" in sentence for sentence in unsure.not_known)


def test_caveats_of_the_record() -> None:
    record = record_of(trial(0, 0, 100.0, power_limit_w=200.0), temperature_c=95.0)
    aged = replace(record, trials=(*record.trials, trial(25, 0), trial(25, 0, outcome=Outcome.FROZE)))
    codes = {caveat.code for caveat in summarize(aged).caveats}
    assert codes == {"temperature-limit-high", "power-limit-lowered", "setting-aged"}
    assert summarize(aged).cautions == CAUTIONS


def test_a_setting_that_failed_its_long_run_is_best_no_more() -> None:
    lower, higher = trial(50, 200, 104.0), trial(50, 300, 106.0)
    long = trial(50, 300, outcome=Outcome.FROZE, is_endurance=True, minutes=12.0)
    assert summarize(record_of(STOCK_RUNS, lower, higher)).best == higher.setting
    summary = summarize(record_of(STOCK_RUNS, lower, higher, long))
    assert (summary.best, summary.best_is_final) == (lower.setting, False)
    assert summarize(record_of(STOCK_RUNS, replace(long, setting=STOCK_RUNS.setting))).best is None


def test_an_endurance_run_shows_what_it_was_made_with_and_measured() -> None:
    """A log at another power limit, and a temperature of another trial, say nothing of the run that counts."""
    seen = trial(0, 0, is_endurance=True, minutes=45.0)
    lower = replace(seen, setting=Setting(power_limit_pct=90.0), logs=("long.csv",), peak_temperature_c=70.0)
    summary = summarize(replace(record_of(STOCK_RUNS, lower, seen), goal="efficiency"))
    assert summary.best == STOCK_RUNS.setting
    assert summary.endurance == "passed the endurance run (seen by the operator, not measured)"
    unknown = "Temperature: none was measured in the endurance run, so the limit is not checked."
    assert unknown in summary.not_known
    measured = replace(seen, logs=("long.csv",), peak_temperature_c=70.0)
    summary = summarize(replace(record_of(STOCK_RUNS, lower, measured), goal="efficiency"))
    assert summary.endurance == "passed the endurance run" and unknown not in summary.not_known
    # Before a long run was made, there is none without a temperature.
    warm = replace(STOCK_RUNS, peak_temperature_c=60.0)
    assert not any("Temperature" in sentence for sentence in summarize(record_of(warm)).not_known)
