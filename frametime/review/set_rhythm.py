"""Hitches that recur in every run of a set: several runs leave less doubt about a period than one."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from frametime.caveats import Caveat, Weight
from frametime.metrics.findings import Stutter
from frametime.metrics.periodicity import pooled_hitch_period
from frametime.metrics.rhythm import HITCH_GAP_FRAMES
from frametime.review.run_set import RunSet


def hitches_of(stutters: Sequence[Stutter]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """When each hitch of a run began (s since the start), and by how much it was too long (ms).

    Stutters with hardly a frame between them are one hitch, as in the measured run itself.

    Returns
    -------
    tuple of ndarray of float64, both shape (n_hitches,)
    """
    starts_s: list[float] = []
    sizes_ms: list[float] = []
    last_end_s = -np.inf
    for stutter in stutters:
        start_s = stutter.time_s - stutter.frame_time_ms / 1000.0
        excess_ms = stutter.frame_time_ms - stutter.local_median_ms
        if start_s - last_end_s <= (HITCH_GAP_FRAMES + 0.5) * stutter.local_median_ms / 1000.0:
            sizes_ms[-1] += excess_ms
        else:
            starts_s.append(start_s)
            sizes_ms.append(excess_ms)
        last_end_s = stutter.time_s
    return np.array(starts_s), np.array(sizes_ms)


def recurring_hitches(run_set: RunSet) -> tuple[Caveat, ...]:
    """The period of the hitches over the runs of a set, as a note; empty where there is none."""
    found = [hitches_of(run.measured.findings.stutters) for run in run_set.runs]
    period, _ = pooled_hitch_period([times_s for times_s, _ in found], [sizes_ms for _, sizes_ms in found])
    if period is None:
        return ()
    half_s = (period.period_high_s - period.period_low_s) / 2.0
    message = (
        f"Hitches recur every {period.period_s:.3g} s (give or take {half_s:.2g} s) over {len(found)} runs: "
        f"{period.n_following} follow that period, {period.n_left_over} do not (p = {period.p_value:.1g})."
    )
    return (Caveat(code="recurring-hitches", message=message, weight=Weight.NOTE),)
