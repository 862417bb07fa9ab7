"""Clips of one trace at 1080p and 60 pictures a second: pictures written in a second, against the 60 of the clip."""

from __future__ import annotations

import sys
import time
from fractions import Fraction
from pathlib import Path

import numpy as np

from frametime.film.film_files import write_clip
from frametime.film.picture import Clip, ClipLook, Track

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

from ratios import Ratio  # noqa: E402

FPS = 60


def writing_clips(folder: Path) -> list[Ratio]:
    """Each codec: lossless at least as fast as the clip plays, ProRes 4444 at half of it."""
    times_ms = np.random.default_rng(1).gamma(50.0, 0.2, 600)
    times_ms[::170] *= 4.0
    trace = Track(
        label="Amber 6",
        color="#56b4e9",
        start_s=0.0,
        ends_s=np.cumsum(times_ms) / 1000.0,
        times_ms=times_ms,
        stutters=np.flatnonzero(times_ms > 25.0),
    )
    clip, ratios = Clip([trace], ClipLook()), []
    for codec, name, limit in (("lossless", "lossless", 1.0), ("prores", "ProRes 4444", 0.5)):
        best_s = float("inf")
        for _ in range(3):
            start = time.perf_counter()
            n_pictures = write_clip(clip, folder / f"{codec}.mov", fps=Fraction(FPS), codec=codec, force=True)
            best_s = min(best_s, time.perf_counter() - start)
        rate = n_pictures / best_s
        ratios.append(
            Ratio(
                f"writing a clip of one trace at 1080p60, {name} / playing it, in speed",
                limit,
                rate / FPS,
                f"{rate:.0f} pictures a second",
                at_least=True,
            )
        )
    return ratios


BENCHMARKS = (writing_clips,)
