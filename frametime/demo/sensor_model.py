"""Sensor samples of a run: power, temperature, clocks and load, once a second."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from frametime.demo.random_stream import RandomStream
from frametime.demo.scenario import BAD_FROM, BAD_TO, DemoCard, DemoScene

HEADER = "elapsed_s,power_w,temperature_c,core_clock_mhz,memory_clock_mhz,utilization_pct"
_CLOCK_STEP_MHZ = 15
_WARMING_S = 9.0


class SensorSource(Protocol):
    """What the sensor samples of a run depend on."""

    @property
    def seed(self) -> tuple[int, ...]:
        """Entropy of this run alone."""

    @property
    def card(self) -> DemoCard:
        """The card with its power, temperature and clocks under load."""

    @property
    def scene(self) -> DemoScene:
        """What is rendered."""

    @property
    def busy_pct(self) -> float:
        """How busy the card is."""

    @property
    def is_bad(self) -> bool:
        """Whether a background task spoiled the run."""


def sensor_text(run: SensorSource, *, duration_s: float) -> str:
    """The sensor log of a run on the clock of its frame log, from 0 to a little after its end."""
    stream = RandomStream((*run.seed, 1))
    card = run.card
    times_s = _sample_times_s(stream, duration_s)
    size = times_s.size
    load = np.full(size, run.busy_pct / 100.0)
    if run.is_bad:
        # The processor is taken by something else: the card waits.
        load = np.where((times_s > BAD_FROM * duration_s) & (times_s < BAD_TO * duration_s), load - 0.17, load)
    busy_pct = np.clip(100.0 * load + 1.2 * stream.normal(size), 0.0, 100.0)
    # The scene decides how much of its power a busy card draws; ray tracing draws a little more.
    heavy = 1.0 if "ray-traced" in run.scene.tags else 0.965
    full_w = card.idle_power_w + (card.power_w - card.idle_power_w) * heavy
    wanted_w = card.idle_power_w + (full_w - card.idle_power_w) * load**1.3
    power_w = wanted_w + 0.012 * card.power_w * stream.following(size, memory=0.5)
    share = wanted_w / card.power_w
    final_c = 28.0 + (card.temperature_c - 28.0) * share
    temperature_c = final_c - 7.0 * np.exp(-times_s / _WARMING_S) + 0.3 * stream.normal(size)
    warm_steps = np.rint((temperature_c - 50.0) / 8.0)
    clock_steps = np.rint(1.1 * stream.normal(size)) - warm_steps
    rows = zip(
        times_s.tolist(),
        np.rint(10.0 * power_w).astype(np.int64).tolist(),
        np.rint(temperature_c).astype(np.int64).tolist(),
        (card.core_clock_mhz + _CLOCK_STEP_MHZ * clock_steps.astype(np.int64)).tolist(),
        np.rint(busy_pct).astype(np.int64).tolist(),
        strict=True,
    )
    lines = [
        f"{time_s:.2f},{power // 10}.{power % 10},{temperature},{clock},{card.memory_clock_mhz},{busy}"
        for time_s, power, temperature, clock, busy in rows
    ]
    return "\n".join([HEADER, *lines]) + "\n"


def _sample_times_s(stream: RandomStream, duration_s: float) -> NDArray[np.float64]:
    """Once a second, each a few hundredths late, the last after the end of the run."""
    times_s = np.arange(0.0, duration_s + 2.0)
    late_s = 0.03 * stream.uniform(times_s.size)
    late_s[0] = 0.0
    return np.round(times_s + late_s, 2)
