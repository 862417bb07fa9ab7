"""What the screen of one run says of display, motion and rhythm."""

from __future__ import annotations

import math
import re

import numpy as np
from made_captures import capture_of, ordinary_ms, stamps_of
from made_regularity import run_of

from frametime.caveats import Caveat
from frametime.metrics.measure import measure
from frametime.metrics.options import MeasureOptions, parse_refresh
from frametime.render.check_text import check_text, judgement_text

ON_60_HZ = MeasureOptions(refresh=parse_refresh("60"))


def test_film_logged_as_it_is_shown_is_not_even() -> None:
    times_ns = np.array([round(math.ceil(2.5 * k) * 1e9 / 60) for k in range(242)])
    screen = check_text(measure(capture_of(times_ns), ON_60_HZ))
    assert "Display: uneven (even to 4 ms, 4 uneven steps/min; very uneven over 12 ms)" in screen
    assert "8.33 ms  rms, shown step minus an even one" in screen


def test_uneven_steps_alone_forbid_the_word_even() -> None:
    """A refresh missed every three seconds: 40 uneven steps a minute, judder of 1 ms."""
    refreshes = np.cumsum(np.where(np.arange(3600) % 180 == 90, 2, 1))
    run = measure(capture_of(np.round(refreshes * 1e9 / 60).astype(np.int64)), ON_60_HZ)
    assert run.findings.fixed_refresh is not None
    assert run.findings.fixed_refresh.judder_rms_ms < 4.0
    assert "Display: uneven" in check_text(run)


def test_no_number_has_nine_decimals() -> None:
    times_ns = np.round(np.arange(1200) * 1e9 / 60).astype(np.int64)
    screen = check_text(measure(capture_of(times_ns), ON_60_HZ))
    assert "Display: even" in screen
    assert "under 0.001 ms" in screen
    assert "0.00000" not in screen


def test_a_motion_step_error_stands_on_the_screen() -> None:
    generator = np.random.default_rng(1)
    times_ms = np.full(1200, 1000.0 / 60)
    ends_ns = np.cumsum(times_ms) * 1e6
    started_ns = np.round(ends_ns + generator.normal(0.0, 2e6, ends_ns.size)).astype(int)
    series = run_of(times_ms, simulation_start_ns=[None, *np.maximum.accumulate(started_ns).tolist()])
    assert series.capture is not None
    run = measure(series.capture)
    assert run.findings.motion is not None
    [line] = [line for line in check_text(run).splitlines() if "motion step error" in line]
    assert f"{run.findings.motion.rms_ms:.2f} ms  rms; worst " in line


def test_recurring_hitches_are_told_in_a_sentence() -> None:
    times_ms = np.full(3600, 1000.0 / 60)
    times_ms[60::120] = 36.0
    series = run_of(times_ms)
    assert series.capture is not None
    run = measure(series.capture)
    assert "  a hitch of about 36 ms every 2.019 s (give or take 0.001 s): 30 of 30 beats\n" in check_text(run)


def test_the_sentence_of_drift_is_never_cut() -> None:
    """It was, after two lines and in the middle of a sentence, of a run that changes its level every 8 s."""
    times_ms = 9.0 * np.exp(np.random.default_rng(1).normal(0.0, 0.03, 9000))
    times_ms *= np.where((np.arange(9000) // 900) % 2 == 0, 1.0, 1.25)
    capture = run_of(times_ms).capture
    assert capture is not None
    run = measure(capture)
    assert run.findings.drift is not None and len(run.findings.drift.sentence) > 160
    told = " ".join(line.strip() for line in check_text(run).splitlines())
    assert run.findings.drift.sentence[1:] in told


def test_caveats_that_are_cut_name_the_way_to_see_them_whole() -> None:
    capture = run_of(np.full(3600, 1000.0 / 60)).capture
    assert capture is not None
    long = Caveat(code="sensors-unusable", message="No sensor numbers: " + "no time in common, " * 40)
    run = measure(capture)._replace(caveats=(long,))
    assert "Caveats (check --verbose shows them whole)\n" in check_text(run)
    assert "\nCaveats\n" in check_text(run, verbose=True)


def test_a_freeze_is_told_first_of_a_run_that_counts() -> None:
    times_ms = ordinary_ms(4000)
    times_ms[2000] = 708.0
    assert ": usable: 1 freeze of 708.0 ms; 4000 frames in " in judgement_text(measure(capture_of(stamps_of(times_ms))))
    times_ms[3000] = 1700.0
    run = measure(capture_of(stamps_of(times_ms)))
    assert ": usable: 2 freezes of up to 1700 ms; 4000 frames in " in judgement_text(run)
    assert check_text(run).splitlines()[1].startswith("Usable: 2 freezes of up to 1700 ms; ")
    times_ms[1000] = 2500.0  # a gap, which is told by itself
    assert "freeze" not in judgement_text(measure(capture_of(stamps_of(times_ms))))


def test_how_many_frames_alternate_and_by_how_much_is_told() -> None:
    times_ms = ordinary_ms(6000, spread=0.01)
    times_ms[2000:3000] += np.tile([2.0, -2.0], 500)
    screen = check_text(measure(capture_of(stamps_of(times_ms))))
    assert re.search(r"\n  17 % of the frames are longer and shorter in turn, by about (3\.9|4\.0)\d ms\n", screen)
    assert "in turn" not in check_text(measure(capture_of(stamps_of(ordinary_ms(6000)))))


def test_a_rare_low_with_frames_enough_is_not_told_to_have_too_few_because_of_its_timer() -> None:
    """At 100 fps and more the numbers leave room for what they mean, and any caveat was told as too few frames."""
    generator = np.random.default_rng(1)
    ends_ms = np.round(np.cumsum(4.0 + generator.gamma(2.0, 0.4, 20_000)) * 2.0) / 2.0
    run = measure(capture_of(np.append(0, np.round(ends_ms * 1e6)).astype(np.int64)))
    codes = {caveat.code for caveat in run.caveats}
    assert "coarse-timer" in codes
    assert "low-few-frames" not in codes
    (line,) = (line for line in check_text(run).splitlines() if "0.1 % low, all three" in line)
    assert line.endswith("in that order")


def test_values_with_their_intervals_stand_in_one_column_with_nothing_behind_them() -> None:
    times_ms = ordinary_ms(3600)
    times_ms[60::120] = 36.0
    capture = run_of(times_ms).capture
    assert capture is not None
    screen = check_text(measure(capture, MeasureOptions(within_run_intervals=True)))
    told = [line for line in screen.splitlines() if line.startswith("  ") and re.search(r"\d \(.* to .*\)", line)]
    assert len(told) > 5
    assert [line for line in told if not re.fullmatch(r"  .{26} \S+ \(\S+ to \S+\)( \S+)?", line)] == []
    assert re.search(r"^  stutters +30 \(\d+ to \d+\)$", screen, re.MULTILINE)  # a count has whole numbers
