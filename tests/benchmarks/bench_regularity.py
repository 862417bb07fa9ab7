"""All metrics and findings of a million frames against reading them; intervals against resampling."""

from __future__ import annotations

import sys
from fractions import Fraction
from functools import partial
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

from bench_check import BOTH, _typed_read  # noqa: E402
from made_files import frame_times_us, write_log  # noqa: E402
from ratios import Ratio, best_of, best_processor_of  # noqa: E402

from frametime import MeasureOptions, measure, read_capture  # noqa: E402
from frametime.metrics.catalog import catalog_for  # noqa: E402
from frametime.metrics.frame_series import FrameSeries  # noqa: E402
from frametime.metrics.intervals.run_intervals import within_run_intervals  # noqa: E402
from frametime.metrics.metric import Missing  # noqa: E402
from frametime.metrics.options import Refresh  # noqa: E402


def regularity(folder: Path) -> list[Ratio]:
    """A million frames, with a fixed refresh of 144 Hz."""
    path = write_log(folder / "million.csv", 1_000_000)
    capture = read_capture(path)
    options = MeasureOptions(refresh=Refresh(low_hz=Fraction(144), high_hz=Fraction(144)))

    typed, found = best_processor_of(9, lambda: _typed_read(str(path), BOTH), lambda: measure(capture, options))
    return [
        Ratio(
            "everything of 1e6 frames at 144 Hz / typed read (processor)",
            3.0,
            found / typed,
            f"{found:.2f}/{typed:.2f} s",
        )
    ]


def short_runs(folder: Path) -> list[Ratio]:
    """Runs of 10 000 frames, of which a folder holds many, against reading them: quiet ones, and one that wanders."""
    ratios = []
    for case, wander in (("steady", 0.0), ("wandering", 0.1)):
        times_ns = 1000 * frame_times_us(10_000, seed=3)
        swing = np.exp(wander * np.sin(np.arange(10_000) / 900.0) * np.sin(np.arange(10_000) / 350.0))
        series_ns = np.concatenate([[0], np.cumsum((times_ns * swing).astype(np.int64))])
        path = folder / f"short-run-{wander:g}.csv"
        path.write_text("elapsed_ms\n" + "".join(f"{stamp / 1e6:.3f}\n" for stamp in series_ns.tolist()), "utf-8")
        capture = read_capture(path)
        read, found = best_processor_of(40, partial(read_capture, path, use_threads=False), partial(measure, capture))
        told = f"{1e3 * found:.1f}/{1e3 * read:.1f} ms"
        ratios.append(Ratio("everything of 10 000 frames / reading them (processor)", 3.0, found / read, told, case))
    return ratios


def intervals(_folder: Path) -> list[Ratio]:
    """Intervals of every metric of 100 000 frames, against gathering and partitioning 2 000 resamples."""
    n_frames, n_resamples, n_plain = 100_000, 2000, 40
    times_us = frame_times_us(n_frames, seed=5)
    timestamps_ns = np.concatenate([[0], np.cumsum(times_us * 1000)])
    options = MeasureOptions(within_run_intervals=True)
    series = FrameSeries(timestamps_ns, options=options)
    results = {key: row.compute(series) for key, row in catalog_for(options).items()}
    values = {key: result for key, result in results.items() if not isinstance(result, Missing)}
    rng = np.random.default_rng(1)
    rows = rng.integers(0, n_frames, size=n_frames)
    times_ms = times_us / 1000.0

    def plain() -> None:
        for _ in range(n_plain):
            np.partition(times_ms[rows], (n_frames // 2, n_frames * 99 // 100))

    gathered, ours = best_of(2, plain, lambda: within_run_intervals(series, values))
    whole_plain = gathered * n_resamples / n_plain
    return [
        Ratio(
            "intervals of 100 000 frames / gather and partition 2 000 resamples",
            1.0,
            ours / whole_plain,
            f"{ours:.2f}/{whole_plain:.2f} s",
        )
    ]


BENCHMARKS = (regularity, short_runs, intervals)
