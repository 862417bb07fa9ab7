"""Charts of single runs show the numbers of the run: every extreme, limits from 0, units, definitions."""

from __future__ import annotations

import numpy as np
import pytest
from capture_samples import capture_of, measured, sample_capture, sample_times_ms
from chart_reading import all_text, by_gid, x_labels
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.lines import Line2D

from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.options import MeasureOptions
from frametime.render.charts.frame_times import (
    draw_frame_time_band,
    draw_frame_times,
    frame_time_top,
)
from frametime.render.charts.run_charts import (
    bin_edges_ms,
    draw_distribution,
    draw_frame_time_overlay,
    draw_frame_time_panels,
    draw_percentiles,
    last_share_pct,
    shares_pct,
)
from frametime.render.charts.run_traces import RunTrace, envelope, labels_of, trace_of_run, trace_of_series
from frametime.render.charts.theme import Theme

THEME = Theme.of("light", "web", notes="full")


def trace_of(times_ms: np.ndarray, *, label: str = "run", n_columns: int = 500) -> RunTrace:
    capture = capture_of(times_ms)
    run = measured(capture)
    return trace_of_series(FrameSeries.of(capture, run.options), run, n_columns=n_columns, label=label)


def test_every_frame_of_a_short_run_is_as_wide_as_it_lasts() -> None:
    times_ms = sample_times_ms(900, n_hitches=0)
    capture = capture_of(times_ms)
    axes = draw_frame_times(capture, measured(capture), THEME).axes[0]
    (line,) = (line for line in axes.lines if line.get_gid() == "frame-times")
    assert np.asarray(line.get_ydata())[1:] == pytest.approx(times_ms, abs=1e-6)
    assert np.asarray(line.get_xdata()) == pytest.approx(np.cumsum([0.0, *times_ms]) / 1000.0, abs=1e-6)
    assert line.get_drawstyle() == "steps-pre"
    assert 0.0 <= axes.get_ylim()[0] < times_ms.min()
    assert axes.get_xlim() == pytest.approx((0.0, times_ms.sum() / 1000.0))
    start_ms = axes.get_ylim()[0]
    assert axes.get_ylabel() == ("frame time, ms" + (f" (axis from {start_ms:g})" if start_ms else ""))
    assert axes.get_xlabel() == "time since the first frame, s"


def test_a_long_run_keeps_its_extremes() -> None:
    times_ms = np.full(50_000, 8.0)
    times_ms[31_234], times_ms[777] = 19.0, 1.5
    capture = capture_of(times_ms)
    figure = draw_frame_times(capture, measured(capture), THEME)
    (area,) = by_gid(figure, "frame-times")
    heights = np.concatenate([path.vertices[:, 1] for path in area.get_paths()])
    assert heights.max() == pytest.approx(19.0)
    assert heights.min() == pytest.approx(1.5)
    assert "no frame is averaged away" in all_text(figure)


@given(
    times_ms=st.lists(st.floats(min_value=0.1, max_value=900.0), min_size=1, max_size=300),
    n_columns=st.integers(min_value=1, max_value=60),
)
@settings(deadline=None)
def test_envelope_holds_every_frame(times_ms: list[float], n_columns: int) -> None:
    # The limit of points is lifted by repeating the frames until an envelope is needed.
    frames = np.resize(np.array(times_ms), 4001 + len(times_ms))
    stamps_ns = np.append(0, np.cumsum(frames * 1e6).round()).astype(np.int64)
    ends_s = stamps_ns[1:] / 1e9
    middles_s, low_ms, high_ms = envelope(stamps_ns, frames, n_columns=n_columns)
    assert middles_s == pytest.approx((np.arange(n_columns) + 0.5) * ends_s[-1] / n_columns)
    assert low_ms.min() == frames.min()
    assert high_ms.max() == frames.max()
    starts_s = ends_s - frames / 1000.0
    half_s = ends_s[-1] / n_columns / 2.0
    for middle_s, low, high in zip(middles_s, low_ms, high_ms, strict=True):
        # Nothing is shown in a step but frames that lie in it, at least in part (an end may be rounded over a bound).
        slack_s = 1e-9 * ends_s[-1]
        near = frames[(ends_s >= middle_s - half_s - slack_s) & (starts_s <= middle_s + half_s + slack_s)]
        assert low in near
        assert high in near


def test_a_freeze_longer_than_a_step_fills_the_steps_it_lasts() -> None:
    frames = np.full(6000, 1.0)
    frames[3000] = 3000.0
    stamps_ns = np.append(0, np.cumsum(frames * 1e6)).astype(np.int64)
    middles_s, low_ms, high_ms = envelope(stamps_ns, frames, n_columns=90)
    within = (middles_s > 3.1) & (middles_s < 5.9)
    assert within.sum() >= 25
    assert (low_ms[within] == 3000.0).all()
    assert (high_ms[within] == 3000.0).all()
    assert (high_ms[middles_s < 2.9] == 1.0).all()


def test_no_columns_are_refused() -> None:
    with pytest.raises(ValueError, match="n_columns must be 1 or more, got 0"):
        envelope(np.array([0, 1]), np.array([1.0]), n_columns=0)


def test_stutters_are_marked_where_they_are() -> None:
    times_ms = np.full(1200, 10.0)
    times_ms[[300, 900]] = 24.5
    capture = capture_of(times_ms)
    run = measured(capture)
    figure = draw_frame_times(capture, run, THEME)
    (marks,) = by_gid(figure, "stutters")
    assert np.asarray(marks.get_xdata()) == pytest.approx([stutter.time_s for stutter in run.findings.stutters])
    assert np.asarray(marks.get_ydata()) == pytest.approx([24.5, 24.5])
    assert "2 stutters marked: longer than 2 × the local median" in all_text(figure)


def test_a_freeze_is_named_at_the_edge_and_does_not_press_the_rest() -> None:
    times_ms = np.full(3000, 10.0)
    times_ms[1500] = 712.0
    capture = capture_of(times_ms)
    figure = draw_frame_times(capture, measured(capture), THEME)
    assert figure.axes[0].get_ylim() == pytest.approx((8.0, 1.08 * 2.0 * 10.0))  # a tenth below the shortest frame
    assert figure.axes[0].get_ylabel() == "frame time, ms (axis from 8)"
    (marks,) = by_gid(figure, "beyond")
    assert np.asarray(marks.get_xdata()) == pytest.approx([times_ms[:1501].sum() / 1000.0])
    assert "712 ms" in all_text(figure)
    assert "Over 22 ms: 1 place" in all_text(figure)


def test_one_long_freeze_is_one_place_in_a_gathered_trace() -> None:
    times_ms = np.full(9000, 10.0)
    times_ms[4500] = 20_000.0
    capture = capture_of(times_ms)
    figure = draw_frame_times(capture, measured(capture), THEME)
    (marks,) = by_gid(figure, "beyond")
    assert np.asarray(marks.get_xdata()) == pytest.approx([times_ms[:4501].sum() / 1000.0], abs=0.1)
    assert "1 place, marked" in all_text(figure)
    assert "20000 ms" in all_text(figure)


def test_the_axis_holds_all_frames_where_none_is_far_out() -> None:
    trace = trace_of(np.concatenate([np.full(990, 10.0), np.full(10, 24.0)]))
    assert frame_time_top([trace]) == pytest.approx(1.08 * 24.0)


def test_the_longest_frame_is_named_where_all_fit() -> None:
    times_ms = np.full(900, 10.0)
    times_ms[400] = 19.0
    capture = capture_of(times_ms)
    assert "longest 19.0 ms" in all_text(draw_frame_times(capture, measured(capture), THEME))


def test_sensor_lanes_have_units_and_say_where_they_start() -> None:
    capture = sample_capture(3000, with_sensors=True)
    options = MeasureOptions(temperature_limit_c=70.0)
    figure = draw_frame_times(capture, measured(capture, options), THEME)
    captions = [axes.get_ylabel() for axes in figure.axes[1:]]
    assert [caption.split(" (")[0] for caption in captions] == ["power, W", "temperature, °C", "core clock, MHz"]
    assert "dashed: limit 70" in captions[1]
    for axes in figure.axes[1:]:
        start = axes.get_ylabel().split("axis from ")[1].split(")")[0]
        assert axes.get_ylim()[0] == pytest.approx(float(start), abs=0.5)
        assert axes.get_xlim() == figure.axes[0].get_xlim()
    (power,) = by_gid(figure, "power_w")
    assert capture.sensors is not None
    inside = np.asarray(power.get_ydata())[1:-1]
    assert inside == pytest.approx(np.array(capture.sensors.samples.column("power_w").to_pylist())[1 : inside.size + 1])


def test_a_measured_run_alone_is_drawn_from_its_curves() -> None:
    run = measured(sample_capture(20_000, n_hitches=3))
    figure = draw_frame_time_panels([trace_of_run(run)], THEME)
    (area,) = by_gid(figure, "frame-times")
    heights = np.concatenate([path.vertices[:, 1] for path in area.get_paths()])
    assert heights.min() == pytest.approx(min(run.curves["trace_low"].y))
    assert figure.axes[0].get_xlim()[1] == pytest.approx(run.duration_s)


def test_panels_share_their_scales() -> None:
    traces = [trace_of(sample_times_ms(800 + 300 * number, fps=60.0 + 40.0 * number)) for number in range(4)]
    figure = draw_frame_time_panels(traces, THEME)
    assert len(figure.axes) == 4
    assert len({axes.get_ylim() for axes in figure.axes}) == 1
    assert len({axes.get_xlim() for axes in figure.axes}) == 1
    assert figure.axes[0].get_ylim()[0] == 0.0  # where the shortest frames are near it
    assert figure.axes[0].get_xlim()[1] == pytest.approx(max(trace.run.duration_s for trace in traces))


def test_a_band_holds_the_quantiles_of_the_frames_of_each_second() -> None:
    rng = np.random.default_rng(4)
    times_ms = rng.gamma(40.0, 0.25, 40_000)
    capture = capture_of(times_ms)
    figure = draw_frame_time_band(capture, measured(capture), THEME)
    (median,) = by_gid(figure, "median")
    seconds = np.minimum(np.cumsum(times_ms) / 1000.0, times_ms.sum() / 1000.0 - 1e-6)
    n_steps = len(median.get_xdata())
    step_of = (seconds / seconds[-1] * n_steps).clip(max=n_steps - 1).astype(int)
    expected = [np.median(times_ms[step_of == step]) for step in range(n_steps)]
    assert np.asarray(median.get_ydata()) == pytest.approx(expected, abs=0.05)
    (band,) = by_gid(figure, "band")
    heights = band.get_paths()[0].vertices[:, 1]
    inside = (times_ms > heights.min()) & (times_ms < heights.max())
    assert 0.90 < inside.mean() < 1.0
    low_ms, high_ms = figure.axes[0].get_ylim()
    assert 0.0 < low_ms < heights.min() < heights.max() < high_ms
    assert f"(axis from {low_ms:g})" in figure.axes[0].get_ylabel()
    assert f"longest {times_ms.max():.1f} ms" in all_text(figure)


def test_an_overlay_lays_the_middle_of_each_run_on_one_axis_with_its_numbers_beside() -> None:
    traces = [trace_of(sample_times_ms(2000, fps=fps), label=f"run at {fps:.0f}") for fps in (90.0, 120.0)]
    figure = draw_frame_time_overlay(traces, THEME)
    (axes,) = figure.axes
    for number, trace in enumerate(traces):
        (line,) = by_gid(figure, f"middle-{number}")
        assert np.asarray(line.get_ydata()) == pytest.approx(trace.middle_ms)
        assert f"longest {trace.high_ms.max():.1f} ms" in all_text(figure)
        assert all_text(figure).count(trace.label) == 1  # in the list, with a piece of its line
        looks = [(piece.get_color(), piece.get_linestyle()) for piece in figure.artists if isinstance(piece, Line2D)]
        assert looks.count((line.get_color(), line.get_linestyle())) == 1
    low_ms, high_ms = axes.get_ylim()
    assert low_ms < min(trace.middle_ms.min() for trace in traces)
    assert high_ms > max(trace.middle_ms.max() for trace in traces)


@pytest.mark.parametrize("count", [0, 9])
def test_too_few_and_too_many_runs_are_refused(count: int) -> None:
    traces = [trace_of(sample_times_ms(50))] * count
    for draw in (draw_frame_time_panels, draw_percentiles, draw_distribution):
        with pytest.raises(ValueError, match=f"traces must hold 1 to 8 runs, got {count}"):
            draw(traces, THEME)


def test_percentile_curves_pass_through_the_metrics_of_the_run() -> None:
    capture = sample_capture(20_000, n_hitches=60)
    run = measured(capture)
    figure = draw_percentiles([trace_of_run(run)], THEME)
    (thick,) = by_gid(figure, "percentiles-0")
    shares, heights = np.asarray(thick.get_xdata()), np.asarray(thick.get_ydata())
    for key, share in (("median_frame_time_ms", 50.0), ("p99_frame_time_ms", 99.0), ("p99p9_frame_time_ms", 99.9)):
        value = run.values[key].value
        assert np.interp(share, shares, heights) == pytest.approx(value, rel=0.02)
    axes = figure.axes[0]
    assert axes.get_ylim()[0] == 0.0
    assert (axes.get_ylabel(), axes.get_xlabel()) == ("frame time, ms", "share of frames that are as short or shorter")
    assert list(x_labels(axes).values()) == ["0 %", "50 %", "90 %", "99 %", "99.9 %", "99.99 %"]


def test_the_probability_axis_gives_each_tenth_of_the_tail_the_same_room() -> None:
    figure = draw_percentiles([trace_of(sample_times_ms(20_000))], THEME)
    axes = figure.axes[0]
    places = [axes.transData.transform((share, 1.0))[0] for share in (0.0, 90.0, 99.0, 99.9, 99.99)]
    assert np.diff(places) == pytest.approx(np.full(4, places[1] - places[0]))


def test_a_percentile_curve_ends_before_its_last_frame_and_is_thin_where_few_are_left() -> None:
    figure = draw_percentiles([trace_of(sample_times_ms(1000))], THEME)
    (thick,) = by_gid(figure, "percentiles-0")
    (thin,) = by_gid(figure, "percentiles-0-few")
    assert max(thick.get_xdata()) <= 99.0
    assert thin.get_xdata()[0] == pytest.approx(99.0)
    assert max(thin.get_xdata()) == pytest.approx(last_share_pct(1000)) == pytest.approx(99.9)
    assert thin.get_linewidth() < thick.get_linewidth()


def test_distribution_shares_are_those_of_the_frames() -> None:
    times_ms = sample_times_ms(8000, n_hitches=4)
    trace = trace_of(times_ms)
    edges_ms = bin_edges_ms([trace])
    assert 0.0 < edges_ms[0] < times_ms.min() * 1.1
    assert np.mean((times_ms > edges_ms[0]) & (times_ms < edges_ms[-1])) > 0.99
    # The middle nine tenths of the frames take at least a third of the picture.
    assert np.ptp(np.quantile(times_ms, [0.05, 0.95])) > np.ptp(edges_ms) / 3.0
    counted, _ = np.histogram(times_ms, edges_ms)
    shares = shares_pct(trace, edges_ms)
    # The percentile curve holds 280 of the 8000 frames: a bin is right to about half a percent of all frames.
    assert shares == pytest.approx(100.0 * counted / times_ms.size, abs=0.6)
    figure = draw_distribution([trace], THEME)
    (patch,) = by_gid(figure, "shares-0")
    vertices = patch.get_paths()[0].vertices
    heights = [vertices[np.isclose(vertices[:, 0], edge), 1].max() for edge in edges_ms]
    assert heights[0] == pytest.approx(shares[0])
    assert heights[1:-1] == pytest.approx(np.maximum(shares[:-1], shares[1:]))
    (median,) = by_gid(figure, "median-0")
    assert median.get_xdata()[0] == pytest.approx(np.median(times_ms), rel=1e-6)
    assert figure.axes[0].get_xlim() == pytest.approx((edges_ms[0], edges_ms[-1]))
    assert figure.axes[0].get_xlabel() == f"frame time, ms (axis from {edges_ms[0]:g})"


def test_a_distribution_that_reaches_down_to_nothing_starts_at_0() -> None:
    trace = trace_of(np.linspace(0.4, 20.0, 3000))
    assert bin_edges_ms([trace])[0] == 0.0


def test_equal_frames_fall_into_one_bin() -> None:
    trace = trace_of(np.full(600, 16.0))
    shares = shares_pct(trace, bin_edges_ms([trace]))
    assert shares.max() == pytest.approx(100.0)
    assert shares.sum() == pytest.approx(100.0)


@pytest.mark.parametrize("palette", ["light", "dark"])
def test_each_chart_says_that_single_runs_have_no_interval(palette: str) -> None:
    theme = Theme.of(palette, notes="full")
    capture = sample_capture(600)
    run = measured(capture)
    trace = trace_of_run(run)
    drawn = [draw_frame_times(capture, run, theme)]
    drawn += [draw([trace], theme) for draw in (draw_frame_time_panels, draw_percentiles, draw_distribution)]
    for figure in drawn:
        text = all_text(figure)
        assert "so there is no interval" in text.replace("no  interval", "no interval")
        assert "its axis does not start at 0" in text or "starts at 0 ms" in text or "Heights start at 0 %" in text
        assert "better" in text


def test_labels_tell_runs_apart_by_what_differs() -> None:
    runs = [measured(sample_capture(50, card=card, run=run)) for card, run in (("A", "1"), ("B", "1"), ("B", "2"))]
    assert labels_of(runs) == ("Harbor · 1440p", ["A · run 1", "B · run 1", "B · run 2"])


def test_labels_fall_back_to_as_much_of_the_path_as_is_needed() -> None:
    nothing = {"card": None, "scene": None, "resolution": None, "run": None}
    names = ("x/harbor/run1.csv", "x\\canyon\\run1.csv", "x/canyon/run2.csv")
    runs = [measured(sample_capture(50, file_name=name, **nothing)) for name in names]
    assert labels_of(runs)[1] == ["harbor/run1.csv", "canyon/run1.csv", "canyon/run2.csv"]
    assert labels_of([runs[0], runs[0]])[1] == ["run1.csv (1)", "run1.csv (2)"]
