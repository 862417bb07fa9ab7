"""The invented review: three cards, five scenes, three resolutions, three runs, and how fast each cell truly is; and
the invented tuning record: one card raised step by step until it no longer holds, then backed off.

Nothing here stands for a real card, scene or shop. The speeds are the truth that the captures are made from, so the
verdicts can be judged: *Brae 41* is faster nearly everywhere and costs more; *Hollin 2* is as fast as the baseline
where nothing is ray-traced and slower where something is, at a lower price and lower power.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields, replace
from itertools import product
from pathlib import Path
from typing import Any, Final

SEED: Final = 41
RESOLUTIONS: Final = ("1080p", "1440p", "2160p")
RUNS: Final = (1, 2, 3)
LIMIT_FPS: Final = 120.0
"""The frame limiter that the one capped scene runs into at the lowest resolution."""


@dataclass(frozen=True, kw_only=True)
class DemoCard:
    """An invented card, and how it behaves under full load."""

    key: str
    power_w: float
    idle_power_w: float
    temperature_c: float
    core_clock_mhz: int
    memory_clock_mhz: int
    layout: str


@dataclass(frozen=True, kw_only=True)
class DemoScene:
    """An invented scene.

    Attributes
    ----------
    rates_fps : tuple of float
        Average rate of the baseline at each resolution.
    path : tuple of float
        Work a frame along the camera path, at equal steps of time; 1 is the average.
    run_sd : float
        Standard deviation of the run's level, of its logarithm.
    frame_sd : float
        Standard deviation of single frames, of their logarithm.
    stutters_per_min : float
    hitch_every_s : float or None
        Something is loaded at equal steps of time.
    busy_pct : tuple of float
        How busy the card is at each resolution.
    """

    key: str
    tags: tuple[str, ...]
    rates_fps: tuple[float, float, float]
    path: tuple[float, ...]
    run_sd: float
    frame_sd: float
    stutters_per_min: float
    busy_pct: tuple[float, float, float]
    hitch_every_s: float | None = None


def _table(name: str) -> dict[str, Any]:
    return tomllib.loads(Path(__file__).with_name(name).read_text("utf-8"))


def _plain(row: dict[str, Any]) -> dict[str, Any]:
    return {key: tuple(value) if isinstance(value, list) else value for key, value in row.items()}


_TRUTH: Final = _table("scenario.toml")
CARDS: Final = tuple(DemoCard(**_plain(row)) for row in _TRUTH["cards"])
SCENES: Final = tuple(DemoScene(**_plain(row)) for row in _TRUTH["scenes"])
CAPPED: Final = ("regatta", "1080p")

SPEEDS: Final[Mapping[tuple[str, str], tuple[float, float, float]]] = {
    (card, scene): tuple(speeds) for card, rows in _TRUTH["speeds"].items() for scene, speeds in rows.items()
}
"""Of each card in each scene: true speed over the baseline at each resolution."""

MISSING_CELL: Final = ("hollin-2", "pavilion", "2160p")
"""The scene did not start on this card at this resolution."""

BAD_RUN: Final = ("brae-41", "orchard", "1440p", 2)
"""A background task ran for part of this run."""
BAD_FROM: Final = 0.30
BAD_TO: Final = 0.72
BAD_SLOWDOWN: Final = 1.24


@dataclass(frozen=True, kw_only=True)
class DemoRun:
    """A run: what is played on what, and what its frames and sensor samples depend on.

    Attributes
    ----------
    seed : tuple of int
        Entropy of this run alone, so that adding a scene changes no other capture.
    rate_fps : float
        True average rate, before the limiter.
    busy_pct : float
        How busy the card is.
    is_bad, is_capped : bool
        Whether a background task spoiled it, and whether the frame limiter holds it.
    """

    card: DemoCard
    scene: DemoScene
    resolution: str
    run: int
    seed: tuple[int, ...]
    rate_fps: float
    busy_pct: float
    is_bad: bool = False
    is_capped: bool = False


def demo_runs() -> Iterator[DemoRun]:
    """Every run of the matrix that was made, in the order of cards, scenes, resolutions and runs."""
    for (at_card, card), (at_scene, scene), (step, resolution), run in product(
        enumerate(CARDS), enumerate(SCENES), enumerate(RESOLUTIONS), RUNS
    ):
        if (card.key, scene.key, resolution) != MISSING_CELL:
            yield DemoRun(
                card=card,
                scene=scene,
                resolution=resolution,
                run=run,
                seed=(SEED, at_card, at_scene, step, run),
                rate_fps=scene.rates_fps[step] * SPEEDS.get((card.key, scene.key), (1.0, 1.0, 1.0))[step],
                busy_pct=scene.busy_pct[step],
                is_bad=(card.key, scene.key, resolution, run) == BAD_RUN,
                is_capped=(scene.key, resolution) == CAPPED,
            )


# The invented tuning record: the card holds and speeds up by a hidden rule (`true_rate_fps`), and the trials of
# tuning.toml are those that the steps of common practice lead to on it.

TUNING_SEED: Final = 5
TUNED_CARD: Final = CARDS[1]

LIGHT: Final = "orchard"
HEAVY: Final = "pavilion"
_RATES_FPS: Final = {LIGHT: 105.6, HEAVY: 67.2}
_CORE_GAIN: Final = {LIGHT: 0.00034, HEAVY: 0.00030}
_MEMORY_GAIN: Final = {LIGHT: 0.00006, HEAVY: 0.00009}
_EDGE_MHZ: Final = 235
_EDGE_LOSS: Final = 0.00045


@dataclass(frozen=True, kw_only=True)
class DemoTrial:
    """What a trial's logs are made from, by the keys of the record; ``minutes`` are those of an endurance run."""

    core_offset_mhz: int
    memory_offset_mhz: int
    workload: str
    outcome: str
    logs: tuple[str, ...] = ()
    minutes: int | None = None


_OF_TRIAL: Final = {field.name for field in fields(DemoTrial)}
TRIALS: Final = tuple(
    DemoTrial(**{key: value for key, value in _plain(row).items() if key in _OF_TRIAL})
    for row in _table("tuning.toml")["trials"]
)
HALFWAY_TRIALS: Final = 14


def true_rate_fps(core: int, memory: int, workload: str) -> float:
    """How fast the card truly is at these offsets: a little with each MHz, and less again past the memory's edge."""
    gain = 1.0 + _CORE_GAIN[workload] * core + _MEMORY_GAIN[workload] * memory
    return _RATES_FPS[workload] * (gain - _EDGE_LOSS * max(0, memory - _EDGE_MHZ))


def tuning_run(trial: DemoTrial, number: int, run: int) -> DemoRun:
    """One logged run of a trial.

    Under the eyes of whoever tunes, runs repeat better than over a whole review.
    """
    card, core, memory = TUNED_CARD, trial.core_offset_mhz, trial.memory_offset_mhz
    scene = next(scene for scene in SCENES if scene.key == trial.workload)
    return DemoRun(
        card=replace(
            card,
            core_clock_mhz=card.core_clock_mhz + core // 15 * 15,
            memory_clock_mhz=card.memory_clock_mhz + memory,
            power_w=card.power_w + 0.16 * core + 0.02 * memory,
        ),
        scene=replace(scene, run_sd=0.002),
        resolution="",
        run=run,
        seed=(TUNING_SEED, number, run),
        rate_fps=true_rate_fps(core, memory, trial.workload),
        busy_pct=98.0,
    )
