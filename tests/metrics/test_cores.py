"""The same capture gives the same numbers to the last bit, however many cores the machine has."""

from __future__ import annotations

import os
import subprocess
import sys

MEASURED = """
import hashlib
from fractions import Fraction
import numpy as np
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.catalog import catalog_for
from frametime.metrics.options import MeasureOptions, Refresh
from frametime.metrics.metric import Missing

options = MeasureOptions(refresh=Refresh(low_hz=Fraction(144), high_hz=Fraction(144)))
for n_frames in (20_000, 50_000, 100_000):
    for seed in range(2):
        times_ms = 1000.0 / 120.0 * np.exp(0.05 * np.random.default_rng(seed).standard_normal(n_frames))
        stamps_ns = np.concatenate([[0], np.cumsum((times_ms * 1e6).astype(np.int64))])
        series = FrameSeries(stamps_ns, options=options)
        for key, row in catalog_for(options).items():
            value = row.compute(series)
            print(n_frames, seed, key, "none" if isinstance(value, Missing) else float(value).hex())
"""


def values_with(n_threads: int) -> list[str]:
    """Every metric to its last bit, with linear algebra on so many threads."""
    threads = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), str(n_threads))
    found = subprocess.run(
        [sys.executable, "-c", MEASURED], env={**os.environ, **threads}, capture_output=True, text=True, check=True
    )
    return found.stdout.splitlines()


def test_values_do_not_depend_on_the_number_of_cores() -> None:
    alone = values_with(1)
    assert any(" judder_rms_ms 0x" in line for line in alone)
    assert values_with(4) == alone
