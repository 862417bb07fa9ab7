"""Builds measured runs and a small realistic review, for tests of the statistics, the charts and the report.

Three invented cards, three scenes at two resolutions, three runs each, with sensor values; one run is off, one
cell is missing. Everything is seeded.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path

import numpy as np
from made_captures import provenance

from frametime.capture import Conditions
from frametime.caveats import Caveat
from frametime.metrics.measure import judge
from frametime.metrics.metric import Curve, Findings, MeasuredRun, MetricValue, Stutter
from frametime.metrics.options import MeasureOptions
from frametime.pipeline.review_outputs import report_files
from frametime.review.design import CardEntry, CutEntry, MetricEntry, ReviewDesign, RunningCost, SceneEntry
from frametime.review.result import ReviewResult
from frametime.review.reviewing import review_runs
from frametime.review.run_set import PlacedRun, run_name

METRICS = (
    MetricEntry(
        key="average_fps",
        label="average rate",
        unit="{frame}/s",
        better="higher",
        definition="Frames over time.",
        source="identity",
        is_headline=True,
    ),
    MetricEntry(
        key="low_1pct_percentile_fps",
        label="1 % percentile low",
        unit="{frame}/s",
        better="higher",
        definition="1000 over the 99 % quantile of the frame time.",
        source="Hyndman and Fan 1996, type 7",
        is_headline=False,
    ),
    MetricEntry(
        key="p99_frame_time_ms",
        label="99 % frame time",
        unit="ms",
        better="lower",
        definition="99 % quantile of the frame time.",
        source="Hyndman and Fan 1996, type 7",
        is_headline=False,
    ),
)
UNITS = {metric.key: metric.unit for metric in METRICS} | {
    "average_power_w": "W",
    "energy_per_frame_j": "J/{frame}",
    "frames_per_joule": "{frame}/J",
}
NO_FINDINGS = Findings(
    stutters=(),
    rhythm=None,
    drift=None,
    segments=(),
    fixed_refresh=None,
    variable_refresh=None,
    motion=None,
    dropped=None,
    throttling=(),
    profile=(),
)


def measured_run(
    values: Mapping[str, float | None],
    *,
    conditions: Conditions | None = None,
    file_name: str = "run1.csv",
    caveats: Sequence[Caveat] = (),
    curves: Mapping[str, Curve] | None = None,
    findings: Findings = NO_FINDINGS,
    recorded_from_utc: str | None = None,
) -> MeasuredRun:
    """A measured run with given values; the sha256 is that of the name and the values."""
    digest = hashlib.sha256(repr((file_name, sorted(values.items()))).encode()).hexdigest()
    return MeasuredRun(
        conditions=conditions or Conditions(),
        provenance=provenance(
            file_name,
            sha256=digest,
            size_bytes=1000,
            adapter="delimited-text",
            rows_read=6000,
            evidence=("the column 'frame_time_ms' is a frame time in ms: its name says so",),
            recorded_from_utc=recorded_from_utc,
        ),
        options=MeasureOptions(),
        n_frames=6000,
        duration_s=60.0,
        values={
            key: MetricValue(
                key=key,
                unit=UNITS.get(key, "1"),
                value=value,
                reason="there is no such column" if value is None else None,
                interval=None,
                caveats=(),
            )
            for key, value in values.items()
        },
        findings=findings,
        curves=curves or {},
        caveats=tuple(caveats),
        judgement=judge(caveats, n_frames=6000, duration_s=60.0),
    )


def placed_run(
    card: str,
    scene: str,
    resolution: str,
    run: str,
    values: Mapping[str, float | None],
    *,
    card_settings: str | None = None,
    scene_settings: str | None = None,
    driver: str | None = None,
    operating_system: str | None = None,
    caveats: Sequence[Caveat] = (),
    curves: Mapping[str, Curve] | None = None,
    findings: Findings = NO_FINDINGS,
    recorded_from_utc: str | None = None,
) -> PlacedRun:
    """A measured run at its place."""
    conditions = Conditions(
        card=card,
        card_settings=card_settings,
        scene=scene,
        scene_settings=scene_settings,
        resolution=resolution,
        driver=driver,
        operating_system=operating_system,
        run=run,
    )
    measured = measured_run(
        values,
        conditions=conditions,
        file_name=f"{card}/{scene}/{resolution}/run{run}.csv.gz",
        caveats=caveats,
        curves=curves,
        findings=findings,
        recorded_from_utc=recorded_from_utc,
    )
    return PlacedRun(
        name=run_name(card, scene, resolution, run),
        card=card,
        scene=scene,
        resolution=resolution,
        run=run,
        measured=measured,
    )


def design(
    cards: Sequence[str] = ("amber-6", "birch-9", "cedar-12"),
    scenes: Sequence[str] = ("harbor", "canyon", "pavilion"),
    resolutions: Sequence[str] = ("1440p", "2160p"),
    *,
    prices: Mapping[str, float] | None = None,
    metrics: Sequence[MetricEntry] = METRICS,
    cuts: Sequence[CutEntry] = (),
    **changed: object,
) -> ReviewDesign:
    """A design in which the first card is the baseline and the last scene is ray traced."""
    cells = tuple((scene, resolution) for scene in scenes for resolution in resolutions)
    parameters: dict[str, object] = {
        "title": "Three cards at the open bench",
        "margin": 0.03,
        "baseline": cards[0],
        "headline": metrics[0].key,
        "metrics": tuple(metrics),
        "cards": tuple(
            CardEntry(
                key=card,
                label=card.replace("-", " ").title(),
                price=(prices or {}).get(card),
                currency="EUR" if card in (prices or {}) else None,
                settings="stock",
                driver="71.3",
                is_baseline=card == cards[0],
            )
            for card in cards
        ),
        "scenes": tuple(
            SceneEntry(key=scene, label=scene.title(), tags=("ray-traced",) if scene == scenes[-1] else ("raster",))
            for scene in scenes
        ),
        "resolutions": tuple(resolutions),
        "cuts": (
            CutEntry(key="all", label="Overall", definition="every scene at every resolution", cells=cells),
            *cuts,
        ),
        "runs_planned": 3,
    }
    return ReviewDesign(**(parameters | changed))  # type: ignore[arg-type]


def curves(rng: np.random.Generator, frame_time_ms: float, n_frames: int = 3000) -> dict[str, Curve]:
    """Curves as a measured run keeps them."""
    times_ms = frame_time_ms * np.exp(0.08 * rng.standard_normal(n_frames))
    times_ms[rng.integers(100, n_frames, 6)] *= 3.5
    share_pct = np.concatenate([np.linspace(0.0, 99.0, 100), np.linspace(99.1, 100.0, 10)])
    steps = np.array_split(times_ms, 300)
    elapsed_s = np.cumsum([step.sum() for step in steps]) / 1000.0

    def curve(x: np.ndarray, y: np.ndarray, x_label: str, y_label: str) -> Curve:
        return Curve(x=tuple(x.tolist()), y=tuple(y.tolist()), x_label=x_label, y_label=y_label)

    seconds = np.arange(1.0, math.floor(elapsed_s[-1]) + 1.0)
    ends_s = np.cumsum(times_ms) / 1000.0
    rate = np.histogram(ends_s, bins=np.concatenate([[0.0], seconds]))[0].astype(float)
    return {
        "percentile": curve(
            share_pct, np.quantile(times_ms, share_pct / 100.0), "share of frames, %", "frame time, ms"
        ),
        "rate": curve(seconds, rate, "elapsed time, s", "rate, fps"),
        "trace_low": curve(elapsed_s, np.array([s.min() for s in steps]), "elapsed time, s", "frame time, ms"),
        "trace_high": curve(elapsed_s, np.array([s.max() for s in steps]), "elapsed time, s", "frame time, ms"),
    }


def example_runs(seed: int = 7, *, with_curves: bool = True) -> list[PlacedRun]:
    """Runs of the example: birch is about 8 % faster than amber, cedar 1 %, and less where rays are traced."""
    rng = np.random.default_rng(seed)
    speed = {"amber-6": 1.0, "birch-9": 1.08, "cedar-12": 1.01}
    power_w = {"amber-6": 250.0, "birch-9": 310.0, "cedar-12": 220.0}
    base = {"harbor": 140.0, "canyon": 110.0, "pavilion": 75.0}
    runs = []
    for card, card_speed in speed.items():
        for scene, rate in base.items():
            for resolution, factor in (("1440p", 1.0), ("2160p", 0.55)):
                if (card, scene, resolution) == ("cedar-12", "canyon", "2160p"):
                    continue
                for number in range(1, 4):
                    level = rate * factor * card_speed * (0.9 if card == "cedar-12" and scene == "pavilion" else 1.0)
                    fps = level * math.exp(0.006 * rng.standard_normal())
                    if (card, scene, resolution, number) == ("birch-9", "harbor", "1440p", 2):
                        fps *= 0.91
                    low = fps * 0.72 * math.exp(0.012 * rng.standard_normal())
                    watts = power_w[card] + float(rng.normal(0.0, 2.0))
                    runs.append(
                        placed_run(
                            card,
                            scene,
                            resolution,
                            str(number),
                            {
                                "average_fps": fps,
                                "low_1pct_percentile_fps": low,
                                "p99_frame_time_ms": 1000.0 / low,
                                "average_power_w": watts,
                                "energy_per_frame_j": watts / fps,
                                "frames_per_joule": fps / watts,
                            },
                            driver="71.3",
                            curves=curves(rng, 1000.0 / fps) if with_curves else None,
                            findings=NO_FINDINGS._replace(
                                stutters=(Stutter(time_s=12.5, frame_time_ms=41.0, local_median_ms=1000.0 / fps),)
                            ),
                        )
                    )
    return runs


def example_design() -> ReviewDesign:
    """The design of the example."""
    scenes = ("harbor", "canyon", "pavilion")
    without = tuple((scene, resolution) for scene in scenes[:2] for resolution in ("1440p", "2160p"))
    high = tuple((scene, "2160p") for scene in scenes)
    return design(
        scenes=scenes,
        prices={"amber-6": 499.0, "birch-9": 579.0, "cedar-12": 489.0},
        cuts=(
            CutEntry(
                key="without-ray-tracing",
                label="Without ray-traced scenes",
                definition="scenes without the tag ray-traced",
                cells=without,
            ),
            CutEntry(key="2160p", label="2160p only", definition="resolution 2160p", cells=high),
        ),
        running_cost=RunningCost(tariff_per_kwh=0.32, hours_per_day=3.0, years=4.0, currency="EUR"),
        exclusions={"amber-6/canyon/1440p/3": "a program update ran in the background"},
    )


@cache
def example_result(seed: int = 7) -> ReviewResult:
    """The review of the example."""
    return review_runs(example_design(), example_runs(seed), plan={"title": "Three cards at the open bench"})


def write_report(result: ReviewResult, folder: Path) -> None:
    """Write page and text into a folder that is there."""
    for name, write in report_files(result).items():
        write(folder / name)
