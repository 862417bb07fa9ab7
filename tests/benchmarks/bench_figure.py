"""The figure of a million frames against an empty figure of the same size, and against the same of a few frames."""

from __future__ import annotations

import io
import sys
from functools import partial
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure

from frametime.capture import Capture
from frametime.metrics.metric import MeasuredRun
from frametime.render.charts.chart_sheet import figure_bytes
from frametime.render.charts.frame_times import draw_frame_times
from frametime.render.charts.theme import Theme

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent / "samples")]

from capture_samples import capture_of, measured  # noqa: E402
from ratios import Ratio, best_processor_of  # noqa: E402

MILLION = 1_000_000
FEW = 1_000
CASES = (
    ("web", "png"),
    ("video-1080p", "png"),
    ("video-4k", "png"),
    ("web", "svg"),
    ("print-85mm", "svg"),
)


def empty_figure(theme: Theme, file_format: str) -> bytes:
    """A figure of the same size with one pair of axes, their ticks and nothing in it, saved as matplotlib does."""
    stream = io.BytesIO()
    figure = Figure(figsize=(theme.size.width_in, theme.size.height_in), dpi=theme.size.dpi)
    figure.add_subplot()
    figure.savefig(stream, format=file_format)
    return stream.getvalue()


def whole_chart(capture: Capture, run: MeasuredRun, theme: Theme, file_format: str) -> bytes:
    """The chart, drawn and written."""
    return figure_bytes(draw_frame_times(capture, run, theme), theme, file_format)


def million_frames(_folder: Path) -> list[Ratio]:
    """One chart at each size: with a million frames, with a thousand, and empty."""
    rng = np.random.default_rng(1)
    times_ms = 8.0 + rng.gamma(2.0, 0.5, MILLION)
    times_ms[rng.integers(0, MILLION, 200)] += 30.0
    many, few = capture_of(times_ms), capture_of(times_ms[:FEW])
    many_run, few_run = measured(many), measured(few)
    ratios = []
    for size, file_format in CASES:
        theme = Theme.of("light", size)
        empty, with_few, with_many = best_processor_of(
            9,
            partial(empty_figure, theme, file_format),
            partial(whole_chart, few, few_run, theme, file_format),
            partial(whole_chart, many, many_run, theme, file_format),
        )
        case = f"{size} {file_format.upper()}"
        for against, seconds in (("an empty figure", empty), (f"of {FEW}", with_few)):
            times = f"{1e3 * with_many:.0f}/{1e3 * seconds:.0f} ms"
            ratios.append(Ratio(f"chart of 1e6 frames / {against} (processor)", 2.0, with_many / seconds, times, case))
    return ratios


BENCHMARKS = (million_frames,)
