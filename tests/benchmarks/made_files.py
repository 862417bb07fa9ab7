"""Logs for the benchmarks: invented frame times, written fast and the same each time."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv


def frame_times_us(n_frames: int, seed: int) -> np.ndarray:
    """Frame times of about 10 ms with noise and a few stutters, whole microseconds."""
    rng = np.random.default_rng(seed)
    times_us = 10_000.0 * np.exp(0.05 * rng.standard_normal(n_frames))
    times_us[rng.random(n_frames) < 0.0005] *= 4.0
    return np.round(times_us).astype(np.int64)


def write_log(path: Path, n_frames: int, *, n_columns: int = 2, seed: int = 1) -> Path:
    """A log of ``n_frames`` rows: elapsed time in ms, frame number, and idle columns up to ``n_columns``."""
    if path.exists():
        return path
    ends_us = np.cumsum(frame_times_us(n_frames, seed))
    rng = np.random.default_rng(seed + 1)
    columns = {"frame": np.arange(n_frames), "elapsed_ms": ends_us / 1000.0}
    for number in range(2, n_columns):
        columns[f"counter_{number}"] = np.round(rng.random(n_frames) * 100.0, 2)
    part = path.with_name(path.name + ".part")
    pa_csv.write_csv(pa.table(columns), part, pa_csv.WriteOptions(quoting_style="none"))
    part.rename(path)
    return path


def write_folder(folder: Path, n_files: int, n_frames: int) -> Path:
    """``n_files`` captures below ``folder``, as card, scene, resolution and run."""
    folder.mkdir(parents=True, exist_ok=True)
    for number in range(n_files):
        run, cell = number % 5, number // 5
        card, scene = f"card{cell % 2}", f"scene{cell // 2:03d}"
        target = folder / card / scene / "1080p"
        target.mkdir(parents=True, exist_ok=True)
        write_log(target / f"run{run}.csv", n_frames, seed=number)
    return folder
