"""The invented review: three cards, five scenes, three resolutions, three runs, and how fast each cell truly is; and
the invented tuning record: one card raised step by step until it no longer holds, then backed off.

Nothing here stands for a real card, scene or shop. The speeds are the truth that the captures are made from, so the
verdicts can be judged: *Brae 41* is faster nearly everywhere and costs more; *Hollin 2* is as fast as the baseline
where nothing is ray-traced and slower where something is, at a lower price and lower power.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import product
from types import MappingProxyType
from typing import Final

SEED: Final = 41
RESOLUTIONS: Final = ("1080p", "1440p", "2160p")
RUNS: Final = (1, 2, 3)
LIMIT_FPS: Final = 120.0
"""The frame limiter that the one capped scene runs into at the lowest resolution."""


@dataclass(frozen=True, kw_only=True)
class DemoCard:
    """An invented card: price, and how it behaves under full load."""

    key: str
    label: str
    price: float
    driver: str
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
    label: str
    tags: tuple[str, ...]
    rates_fps: tuple[float, float, float]
    path: tuple[float, ...]
    run_sd: float
    frame_sd: float
    stutters_per_min: float
    hitch_every_s: float | None
    busy_pct: tuple[float, float, float]


CARDS: Final = (
    DemoCard(
        key="tarn-6",
        label="Tarn 6",
        price=549.0,
        driver="31.2",
        power_w=218.0,
        idle_power_w=21.0,
        temperature_c=69.0,
        core_clock_mhz=2_310,
        memory_clock_mhz=2_250,
        layout="microseconds",
    ),
    DemoCard(
        key="brae-41",
        label="Brae 41",
        price=639.0,
        driver="8.14",
        power_w=262.0,
        idle_power_w=24.0,
        temperature_c=73.0,
        core_clock_mhz=2_565,
        memory_clock_mhz=2_400,
        layout="microseconds",
    ),
    DemoCard(
        key="hollin-2",
        label="Hollin 2",
        price=459.0,
        driver="31.2",
        power_w=166.0,
        idle_power_w=15.0,
        temperature_c=64.0,
        core_clock_mhz=2_460,
        memory_clock_mhz=2_000,
        layout="decimal comma",
    ),
)
BASELINE: Final = "tarn-6"

SCENES: Final = (
    DemoScene(
        key="orchard",
        label="Orchard Lane",
        tags=("raster", "outdoor"),
        rates_fps=(132.0, 98.0, 58.0),
        path=(0.92, 0.97, 1.06, 1.12, 1.02, 0.95, 0.98, 1.04, 1.00, 0.94),
        run_sd=0.0040,
        frame_sd=0.022,
        stutters_per_min=2.0,
        hitch_every_s=None,
        busy_pct=(96.0, 98.0, 99.0),
    ),
    DemoScene(
        key="bottling",
        label="Bottling Hall",
        tags=("raster", "indoor"),
        rates_fps=(144.0, 101.0, 57.0),
        path=(1.00, 0.98, 1.03, 1.01, 0.97, 1.02, 1.04, 0.99, 0.97, 0.99),
        run_sd=0.0050,
        frame_sd=0.028,
        stutters_per_min=9.0,
        hitch_every_s=None,
        busy_pct=(86.0, 96.0, 98.0),
    ),
    DemoScene(
        key="lanterns",
        label="Paper Lanterns",
        tags=("ray-traced", "indoor"),
        rates_fps=(96.0, 66.0, 38.0),
        path=(0.88, 0.90, 1.05, 1.18, 1.20, 1.06, 0.93, 0.90, 0.95, 0.95),
        run_sd=0.0035,
        frame_sd=0.018,
        stutters_per_min=1.0,
        hitch_every_s=6.0,
        busy_pct=(98.0, 99.0, 99.0),
    ),
    DemoScene(
        key="pavilion",
        label="Fern Pavilion",
        tags=("ray-traced", "outdoor"),
        rates_fps=(88.0, 60.0, 36.0),
        path=(1.10, 1.08, 1.00, 0.94, 0.90, 0.93, 0.99, 1.02, 1.03, 1.01),
        run_sd=0.0050,
        frame_sd=0.024,
        stutters_per_min=3.0,
        hitch_every_s=None,
        busy_pct=(97.0, 99.0, 99.0),
    ),
    DemoScene(
        key="regatta",
        label="Harbor Regatta",
        tags=("raster", "outdoor"),
        rates_fps=(158.0, 112.0, 64.0),
        path=(0.99, 1.01, 1.04, 1.02, 0.98, 0.96, 0.98, 1.01, 1.02, 0.99),
        run_sd=0.0038,
        frame_sd=0.020,
        stutters_per_min=1.0,
        hitch_every_s=None,
        busy_pct=(72.0, 97.0, 99.0),
    ),
)
CAPPED: Final = ("regatta", "1080p")

SPEEDS: Final[Mapping[tuple[str, str], tuple[float, float, float]]] = MappingProxyType(
    {
        # (card, scene): true speed over the baseline at each resolution
        ("brae-41", "orchard"): (1.040, 1.075, 1.110),
        ("brae-41", "bottling"): (1.005, 1.050, 1.085),
        ("brae-41", "lanterns"): (1.120, 1.140, 1.170),
        ("brae-41", "pavilion"): (1.090, 1.120, 1.150),
        ("brae-41", "regatta"): (1.060, 1.060, 1.095),
        ("hollin-2", "orchard"): (1.048, 1.015, 0.995),
        ("hollin-2", "bottling"): (1.002, 1.028, 1.010),
        ("hollin-2", "lanterns"): (0.955, 0.940, 0.925),
        ("hollin-2", "pavilion"): (0.965, 0.950, 0.940),
        ("hollin-2", "regatta"): (1.045, 1.045, 1.012),
    }
)

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


# The invented tuning record: the card holds and speeds up by a hidden rule (`true_rate_fps`), and the trials are those
# that the steps of common practice lead to on it.

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
    """A trial: offsets in MHz, what ran, how it ended, how many runs were logged."""

    core: int
    memory: int
    workload: str
    outcome: str
    runs: int = 1
    endurance_minutes: int | None = None
    peak_temperature_c: int | None = None
    note: str = ""


TRIALS: Final = (
    DemoTrial(core=0, memory=0, workload=LIGHT, outcome="passed", runs=3),
    DemoTrial(core=25, memory=0, workload=LIGHT, outcome="passed"),
    DemoTrial(core=50, memory=0, workload=LIGHT, outcome="passed"),
    DemoTrial(core=75, memory=0, workload=LIGHT, outcome="passed"),
    DemoTrial(core=100, memory=0, workload=LIGHT, outcome="passed"),
    DemoTrial(core=125, memory=0, workload=LIGHT, outcome="passed"),
    DemoTrial(core=150, memory=0, workload=LIGHT, outcome="driver-reset", runs=0, note="after eleven seconds"),
    DemoTrial(core=125, memory=50, workload=LIGHT, outcome="passed"),
    DemoTrial(core=125, memory=100, workload=LIGHT, outcome="passed"),
    DemoTrial(core=125, memory=150, workload=LIGHT, outcome="passed", runs=3),
    DemoTrial(core=125, memory=200, workload=LIGHT, outcome="passed", runs=3),
    DemoTrial(core=125, memory=250, workload=LIGHT, outcome="passed", runs=3),
    DemoTrial(core=125, memory=300, workload=LIGHT, outcome="passed", runs=3, note="slower, without any artifact"),
    DemoTrial(core=125, memory=200, workload=HEAVY, outcome="froze", runs=0),
    DemoTrial(core=100, memory=200, workload=HEAVY, outcome="passed"),
    DemoTrial(core=125, memory=150, workload=HEAVY, outcome="froze", runs=0),
    DemoTrial(core=115, memory=200, workload=HEAVY, outcome="artifacts", note="bright dots in the foliage"),
    DemoTrial(core=105, memory=200, workload=HEAVY, outcome="passed"),
    DemoTrial(core=0, memory=0, workload=HEAVY, outcome="passed", runs=3),
    DemoTrial(core=105, memory=200, workload=HEAVY, outcome="passed", runs=2),
    DemoTrial(core=80, memory=200, workload=HEAVY, outcome="passed", runs=3),
    DemoTrial(core=105, memory=150, workload=HEAVY, outcome="passed", runs=3),
    DemoTrial(
        core=105, memory=200, workload=HEAVY, outcome="froze", endurance_minutes=17, peak_temperature_c=78, runs=0
    ),
    DemoTrial(
        core=95, memory=200, workload=HEAVY, outcome="passed", endurance_minutes=45, peak_temperature_c=78, runs=0
    ),
    DemoTrial(core=95, memory=200, workload=HEAVY, outcome="passed", runs=3),
    DemoTrial(core=70, memory=100, workload=HEAVY, outcome="passed", runs=3),
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
    card = TUNED_CARD
    scene = next(scene for scene in SCENES if scene.key == trial.workload)
    return DemoRun(
        card=replace(
            card,
            core_clock_mhz=card.core_clock_mhz + trial.core // 15 * 15,
            memory_clock_mhz=card.memory_clock_mhz + trial.memory,
            power_w=card.power_w + 0.16 * trial.core + 0.02 * trial.memory,
        ),
        scene=replace(scene, run_sd=0.002),
        resolution="",
        run=run,
        seed=(TUNING_SEED, number, run),
        rate_fps=true_rate_fps(trial.core, trial.memory, trial.workload),
        busy_pct=98.0,
    )
