"""How often a clean run is called irregular, and how often what is planted is found.

Simulations with fixed seeds. The noise is autocorrelated as frame times are: what one frame costs, the next costs too.
"""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from made_regularity import alternation, clean_ms, hitches, planted, run_of, slope, step, wandering_ms

from frametime.metrics.display.shown import dropped_of
from frametime.metrics.drift.drift import drift_of
from frametime.metrics.drift.segments import segments_of
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import known
from frametime.metrics.rhythm.rhythm import rhythm_of

STATED = 0.01
"""Docs: fewer than 1 of 100 clean runs is called irregular in any one way."""


def claims(series: FrameSeries) -> Counter[str]:
    drift, rhythm = drift_of(series), rhythm_of(series)
    made = {
        "drift": drift.is_drift,
        "level": any(change.kind == "level" for change in drift.changes),
        "spread": any(change.kind == "spread" for change in drift.changes),
        "warm-up": drift.warm_up is not None,
        "segments": len(segments_of(series)) > 1,
        "period": rhythm.hitch_period is not None,
        "lines": bool(rhythm.lines),
        "alternation": rhythm.alternating_fraction >= STATED,
        "dropped": known(dropped_of(series)) is not None,
    }
    return Counter({name: int(is_claimed) for name, is_claimed in made.items()})


@pytest.mark.slow
def test_clean_runs_are_seldom_called_irregular() -> None:
    total: Counter[str] = Counter()
    for seed in range(600):
        times_ms = clean_ms(4800, seed) if seed % 2 else wandering_ms(4800, seed)
        total += claims(run_of(times_ms))
    # 1 % of 600 is 6; chance alone takes a rate of 1 % beyond 11 in 1 of 50 simulations (binomial).
    assert not {name: count for name, count in total.items() if count > 11}, total


@pytest.mark.slow
def test_random_hitches_are_not_called_periodic() -> None:
    found = 0
    for seed in range(1000):
        generator = np.random.default_rng(seed)
        times_ms = np.full(2400, 8.3)
        times_ms[generator.choice(2400, generator.integers(4, 25), replace=False)] += generator.uniform(10, 60)
        found += rhythm_of(run_of(times_ms)).hitch_period is not None
    assert found <= 17


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "plant"),
    [
        ("level", step(5.0, 41.0)),
        ("drift", slope(7.0)),
        ("alternation", alternation(10.0)),
        ("period", hitches(15.0, 2.0, 0.1)),
    ],
)
def test_what_is_planted_at_the_stated_strength_is_found(name: str, plant: object) -> None:
    """Docs: found in 9 of 10 runs or more at this strength, in noise of 3 % with a memory of ten frames."""
    total: Counter[str] = Counter()
    for seed in range(100):
        total += claims(planted(5000 + seed, plant))  # type: ignore[arg-type]
    assert total[name] >= 90, total
