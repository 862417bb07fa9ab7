"""Tuning records as TOML: read, refused with place and reason, and appended to."""

from __future__ import annotations

import posixpath

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frametime.errors import FrametimeError, RecordError
from frametime.tuning.record import Outcome, Setting, Trial
from frametime.tuning.record_text import TEMPLATE, parse_record, trial_text

BASE = """\
[card]
name = "Borealis 8"
core_clock_mhz = 2400

[limits]
temperature_c = 85
max_core_offset_mhz = 250
max_memory_offset_mhz = 1000

[[workloads]]
name = "courtyard"

[[workloads]]
name = "canyon"
memory_heavy = true

[[trials]]
workload = "courtyard"
outcome = "passed"
average_fps = [100.5, 101]
on = 2026-11-25

[[trials]]
core_offset_mhz = 25
workload = "canyon"
outcome = "driver-reset"
note = "after two minutes"
"""


def refused(text: str) -> str:
    with pytest.raises(RecordError) as caught:
        parse_record(text, name="bench.toml")
    return str(caught.value)


def test_a_record_is_read() -> None:
    record = parse_record(BASE, name="bench.toml")
    assert record.card.name == "Borealis 8"
    assert record.limits.max_memory_offset_mhz == 1000
    assert [workload.memory_heavy for workload in record.workloads] == [False, True]
    assert record.trials[0].average_fps == (100.5, 101.0)
    assert record.trials[0].on == "2026-11-25"
    assert record.trials[1].setting == Setting(core_offset_mhz=25)
    assert record.trials[1].outcome is Outcome.DRIVER_RESET


def test_the_template_is_a_record() -> None:
    record = parse_record(TEMPLATE, name="new.toml")
    assert record.trials == ()
    assert record.limits.temperature_c <= 90.0
    an_hour = parse_record(TEMPLATE.replace("[steps]", "[steps]\nendurance_min_minutes = 60"), name="new.toml")
    assert an_hour.steps.endurance_min_minutes == an_hour.steps.endurance_max_minutes


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            'outcome = "passed"',
            'outcome = "pased"',
            'line 19: trials.outcome is "pased"; allowed: one of "passed", "artifacts"',
        ),
        ('outcome = "passed"', 'outcome = "pased"', "did you mean 'passed'?"),
        (
            'note = "after two minutes"',
            "notes = 1",
            "line 27: unknown key 'trials.notes'; did you mean 'note'?",
        ),
        (
            'workload = "canyon"',
            'workload = "canion"',
            'line 25: trials.workload is "canion"; allowed: one of "courtyard", "canyon"',
        ),
        ('workload = "canyon"', "", "line 23: trials.workload is missing; allowed: a text in quotes, not empty"),
        ("core_offset_mhz = 25\n", "core_offset_mhz = 25.5\n", "line 24: trials.core_offset_mhz is 25.5"),
        (
            "core_offset_mhz = 25\n",
            "core_offset_mhz = true\n",
            "core_offset_mhz is true; allowed: a whole number from -5000 to 5000",
        ),
        ("[100.5, 101]", "[100.5, nan]", "line 20: trials.average_fps holds nan"),
        ("[100.5, 101]", "[100.5, -1]", "allowed: a number above 0 and up to 1000000"),
        (
            "temperature_c = 85",
            "temperature_c = 185",
            "line 6: limits.temperature_c is 185; allowed: a number from 30 to 110",
        ),
        ("temperature_c = 85\n", "", "line 5: limits.temperature_c is missing"),
        ("[card]", "[cards]", "line 1: unknown key 'cards'; did you mean 'card'?"),
        ('name = "canyon"', 'name = "courtyard"', 'line 14: workloads.name is "courtyard" a second time'),
        (
            "on = 2026-11-25",
            'on = "yesterday"',
            'line 21: trials.on is "yesterday"; allowed: a date such as 2026-11-25',
        ),
        ("on = 2026-11-25", "core_voltage_offset_mv = 10", "core_voltage_offset_mv"),
        ("on = 2026-11-25", "power_limit_pct = 101", "power_limit_pct"),
        (
            "on = 2026-11-25",
            "power_limit_pct = 90\npower_limit_w = 200",
            "power_limit_pct stands beside power_limit_w; give the power limit once",
        ),
        ("on = 2026-11-25", "endurance = true", "endurance is true but minutes is not given"),
        (
            "on = 2026-11-25",
            'logs = ["a"]\nsensors = ["b", "c"]',
            "line 22: trials.sensors names 2 sensor logs for 1 logs",
        ),
        ("[card]", "[card", "this is not TOML"),
    ],
)
def test_a_wrong_entry_is_refused_with_its_place_and_reason(old: str, new: str, message: str) -> None:
    assert old in BASE
    assert message in refused(BASE.replace(old, new, 1)), refused(BASE.replace(old, new, 1))


def test_watts_of_a_limit_that_is_not_known_are_no_trial_at_stock() -> None:
    """Runs at 270 W counted as runs at stock, and the search asked for the same step for ever."""
    in_watts = BASE.replace("on = 2026-11-25", "power_limit_w = 270")
    assert parse_record(in_watts, name="bench.toml").goal == "speed"
    told = "trials.power_limit_w needs power_w in [limits]; give it, or power_limit_pct"
    assert told in refused(f'goal = "quiet"\n{in_watts}')
    known = in_watts.replace("temperature_c = 85", "temperature_c = 85\npower_w = 300")
    assert parse_record(f'goal = "quiet"\n{known}', name="bench.toml").trials[0].power_limit_w == 270.0


def test_a_wrong_word_is_no_hint_for_one_that_means_something_else() -> None:
    assert "did you mean" not in refused(BASE.replace('"driver-reset"', '"crashed"'))


def test_a_record_without_workloads_is_refused() -> None:
    text = BASE[: BASE.index("[[workloads]]")]
    assert "there is no [[workloads]] entry" in refused(text)


@pytest.mark.parametrize(
    ("first", "second", "told"),
    [
        ('logs = ["a.csv", "./a.csv"]', "", 'line 22: trials.logs of trial 1 names "./a.csv", which stands twice'),
        (
            'logs = ["a.csv"]',
            'logs = ["b.csv", "a.csv"]',
            'line 29: trials.logs of trial 2 names "a.csv", which stands in trial 1 too',
        ),
    ],
)
def test_a_run_counts_once(first: str, second: str, told: str) -> None:
    text = BASE.replace("on = 2026-11-25\n", f"on = 2026-11-25\n{first}\n")
    assert told in refused(f"{text}{second}\n")


def test_a_record_too_long_is_refused() -> None:
    assert "characters" in refused("#" * 4_000_001)


@given(
    st.builds(
        Trial,
        setting=st.builds(
            Setting,
            core_offset_mhz=st.integers(-5000, 5000),
            memory_offset_mhz=st.integers(-5000, 5000),
            core_voltage_offset_mv=st.integers(-500, 0),
        ),
        voltage_at_clock=st.sampled_from(["", "900 mV at 1900 MHz"]),
        fan_curve=st.sampled_from(["", "flat 45 %"]),
        workload=st.just("canyon"),
        outcome=st.sampled_from(list(Outcome)),
        is_endurance=st.booleans(),
        minutes=st.floats(0.5, 9000.0),
        power_limit_w=st.none() | st.floats(1.0, 4000.0),
        logs=st.lists(
            st.text(st.characters(exclude_categories=["Cs"])), min_size=2, max_size=2, unique_by=posixpath.normpath
        ).map(tuple),
        sensors=st.sampled_from([(), ("a", "b")]),
        average_fps=st.lists(st.floats(1e-3, 1e5), max_size=3).map(tuple),
        peak_temperature_c=st.none() | st.floats(-40.0, 150.0),
        on=st.none() | st.dates().map(str),
        note=st.text(st.characters(exclude_categories=["Cs"])),
    )
)
def test_a_trial_reads_back_as_it_was_written(trial: Trial) -> None:
    text = BASE + "\n" + trial_text(trial)
    assert parse_record(text, name="bench.toml").trials[-1] == trial


def test_a_power_limit_reads_back_in_percent() -> None:
    trial = Trial(setting=Setting(power_limit_pct=82.5), workload="canyon", outcome=Outcome.PASSED)
    assert parse_record(f"{BASE}\n{trial_text(trial)}", name="bench.toml").trials[-1] == trial


@given(st.text(max_size=200) | st.text(st.sampled_from("[]=\"\n.#{}',trialscard01"), max_size=200))
def test_any_text_is_read_or_refused_in_one_line(text: str) -> None:
    try:
        parse_record(text, name="any.toml")
    except FrametimeError as error:
        assert "\n" not in str(error)
