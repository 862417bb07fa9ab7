"""Display and simulation times that cannot be trusted: no number, the reason, and no warning of numpy."""

from __future__ import annotations

import numpy as np
import pytest
from made_regularity import run_of

from frametime.caveats import Weight
from frametime.metrics.measure import measure
from frametime.metrics.metric import MeasuredRun
from frametime.metrics.options import MeasureOptions, parse_refresh
from frametime.metrics.regularity import FIXED_KEYS, MOTION_KEYS, VARIABLE_KEYS

FIXED = MeasureOptions(refresh=parse_refresh("60"))
VARIABLE = MeasureOptions(refresh=parse_refresh("48-144"))
N = 600
EVEN_NS = np.arange(N) * 10_000_000


def measured(options: MeasureOptions, frame_ms: float = 10.0, **columns_ns: np.ndarray) -> MeasuredRun:
    """A run with these times of its frames, numpy's warnings as errors."""
    n = next((times_ns.size for times_ns in columns_ns.values()), N)
    columns: dict[str, list[int | None]] = {name: [None, *times.tolist()] for name, times in columns_ns.items()}
    capture = run_of(np.full(n, frame_ms), options, **columns).capture
    assert capture is not None
    with np.errstate(all="raise"):
        return measure(capture, options)


def reasons(run: MeasuredRun, keys: tuple[str, ...]) -> set[str | None]:
    assert [run.values[key].value for key in keys] == [None] * len(keys)
    return {run.values[key].reason for key in keys}


@pytest.mark.parametrize("value", [0, 7_000_000])
def test_equal_simulation_times_give_no_motion_error(value: int) -> None:
    run = measured(MeasureOptions(), simulation_start_ns=np.full(N, value))
    assert reasons(run, MOTION_KEYS) == {"the simulation times are all the same in this log"}


def test_falling_simulation_times_give_no_motion_error() -> None:
    run = measured(MeasureOptions(), simulation_start_ns=EVEN_NS[::-1])
    assert reasons(run, MOTION_KEYS) == {"the simulation times fall back in this log"}


def test_two_frames_with_a_simulation_time_are_too_few_and_say_so() -> None:
    run = measured(MeasureOptions(), simulation_start_ns=EVEN_NS[:2])
    assert reasons(run, MOTION_KEYS) == {"fewer than three frames that were shown have a simulation time"}
    assert reasons(measured(MeasureOptions()), MOTION_KEYS) == {"the log has no simulation times"}


@pytest.mark.parametrize("n", [100, N, 5 * N])
def test_two_frames_of_one_simulation_step_are_an_error_of_one_frame_each(n: int) -> None:
    """Every other frame repeats the state before it: shown steps of 10 ms against 0 and 20 ms."""
    pairs_ns = np.arange(n) // 2 * 20_000_000
    run = measured(MeasureOptions(), simulation_start_ns=pairs_ns, displayed_ns=np.arange(n) * 10_000_000 + 5_000_000)
    assert run.values["motion_step_error_rms_ms"].value == pytest.approx(10.0)
    assert run.findings.motion is not None
    assert run.findings.motion.clock_drift_ppm == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("n", [2, 20, N])
def test_equal_display_times_tell_nothing_of_the_display(n: int) -> None:
    equal_ns = np.full(n, 5_000_000)
    fixed = measured(FIXED, displayed_ns=equal_ns)
    assert reasons(fixed, FIXED_KEYS) == {"all frames that were shown fall on one refresh"}
    variable = measured(VARIABLE, displayed_ns=equal_ns)
    assert reasons(variable, VARIABLE_KEYS) == {"all frames that were shown have the same display time"}


def test_display_times_equal_in_stretches_follow_no_rate() -> None:
    run = measured(FIXED, displayed_ns=np.arange(N) // 16 * 160_000_000)
    assert run.findings.fixed_refresh is not None
    assert run.findings.fixed_refresh.measured_hz is None


@pytest.mark.parametrize("tearing", [False, True])
def test_frames_that_all_fall_on_one_refresh_have_no_judder(tearing: bool) -> None:
    options = MeasureOptions(refresh=parse_refresh("60", tearing=tearing))
    few = measured(options, 1.0, simulation_start_ns=np.arange(3) * 1_000_000)
    assert reasons(few, FIXED_KEYS) == {"all frames that were shown fall on one refresh"}


def test_many_frames_within_one_refresh_follow_no_rate() -> None:
    run = measured(FIXED, 0.01, simulation_start_ns=np.arange(3000) * 10_000)
    assert "refresh-rate-differs" not in {caveat.code for caveat in run.caveats}


@pytest.mark.parametrize("order", ["backwards", "shuffled"])
def test_display_times_out_of_order_are_told_and_give_no_number(order: str) -> None:
    times_ns = EVEN_NS[::-1] if order == "backwards" else np.random.default_rng(1).permutation(EVEN_NS)
    for options, keys in ((FIXED, FIXED_KEYS), (VARIABLE, VARIABLE_KEYS)):
        run = measured(options, displayed_ns=times_ns, simulation_start_ns=EVEN_NS)
        (reason,) = reasons(run, keys)
        assert reason is not None
        assert reason.startswith("the display times fall back")
        assert reasons(run, MOTION_KEYS) == {"the display times fall back in this log"}
        (caveat,) = [caveat for caveat in run.caveats if caveat.code == "display-times-fall"]
        n_falls = np.count_nonzero(np.diff(times_ns) < 0)
        assert caveat.message.startswith(f"The display times fall back {n_falls} times: ")
        assert caveat.weight is Weight.CARE
        assert run.findings.dropped is not None


def test_display_times_in_order_are_not_spoken_of() -> None:
    run = measured(FIXED, displayed_ns=np.repeat(EVEN_NS[::2], 2))
    assert "display-times-fall" not in {caveat.code for caveat in run.caveats}
    assert run.values["judder_rms_ms"].value is not None
