"""Reviews of invented cards for the chart tests, of any size, from the review's own functions."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import replace
from functools import wraps
from typing import ParamSpec

import numpy as np
from example_result import NO_FINDINGS
from made_captures import provenance

from frametime.capture import Conditions
from frametime.metrics.metric import Curve, Judgement, MeasuredRun, MetricValue, Stutter
from frametime.metrics.options import MeasureOptions
from frametime.review.design import CardEntry, CutEntry, MetricEntry, ReviewDesign, SceneEntry, SpreadRule
from frametime.review.result import ReviewResult
from frametime.review.reviewing import review_runs
from frametime.review.run_set import PlacedRun, run_name

RATES = {
    "average_fps": 1.0,
    "low_1pct_percentile_fps": 0.74,
    "low_0p1pct_percentile_fps": 0.55,
}
_LABELS = {
    "average_fps": ("average FPS", "Frames over time."),
    "low_1pct_percentile_fps": ("1 % low (percentile)", "Rate that all but the slowest 1 % of frames reach."),
    "low_0p1pct_percentile_fps": ("0.1 % low (percentile)", "Rate that all but the slowest 0.1 % of frames reach."),
    "p99_frame_time_ms": ("99 % frame time", "Frame time that 99 % of frames do not exceed."),
}


def curve(x: Sequence[float], y: Sequence[float]) -> Curve:
    """A curve without labels."""
    return Curve(x=tuple(map(float, x)), y=tuple(map(float, y)), x_label="", y_label="")


def metric_entry(key: str, *, headline: str) -> MetricEntry:
    """One of the metrics of the sample."""
    label, definition = _LABELS[key]
    return MetricEntry(
        key=key,
        label=label,
        unit="ms" if key.endswith("_ms") else "{frame}/s",
        better="lower" if key.endswith("_ms") else "higher",
        definition=definition,
        source="common practice, no source",
        is_headline=key == headline,
    )


def sample_run(conditions: Conditions, fps: float, *, power_w: float | None, with_curves: bool = False) -> MeasuredRun:
    """A run whose metrics are known in full."""
    values: dict[str, float | None] = {key: fps * share for key, share in RATES.items()}
    values["p99_frame_time_ms"] = 1000.0 / (fps * 0.74)
    values["average_power_w"] = power_w
    values["frames_per_joule"] = None if power_w is None else fps / power_w
    values["energy_per_frame_j"] = None if power_w is None else power_w / fps
    frame_ms = 1000.0 / fps
    stutters = (Stutter(time_s=20.0, frame_time_ms=3.0 * frame_ms, local_median_ms=frame_ms),)
    curves = {
        "percentile": curve([0, 50, 90, 99, 99.9, 100], [frame_ms * f for f in (0.8, 1.0, 1.15, 1.35, 1.8, 3.0)]),
        "rate": curve([0.5 + second for second in range(60)], [fps] * 60),
        "trace_low": curve(range(60), [0.9 * frame_ms] * 60),
        "trace_high": curve(range(60), [1.2 * frame_ms + (second == 20) * 1.8 * frame_ms for second in range(60)]),
    }
    return MeasuredRun(
        conditions=conditions,
        provenance=provenance(f"{conditions.card}-{conditions.scene}-{conditions.resolution}-{conditions.run}.csv"),
        options=MeasureOptions(),
        n_frames=max(2, round(60.0 * fps)),
        duration_s=60.0,
        values={
            key: MetricValue(
                key=key,
                unit="",
                value=value,
                reason=None if value is not None else "no sensor log given",
                interval=None,
                caveats=(),
            )
            for key, value in values.items()
        },
        findings=NO_FINDINGS._replace(stutters=stutters) if with_curves else NO_FINDINGS,
        curves=curves if with_curves else {},
        caveats=(),
        judgement=Judgement(word="usable", reasons=()),
    )


_Chosen = ParamSpec("_Chosen")


def _once(make: Callable[_Chosen, ReviewResult]) -> Callable[_Chosen, ReviewResult]:
    """Many tests look at the same review, and none can change it: of each choice it is made once."""
    made: dict[str, ReviewResult] = {}

    @wraps(make)
    def review(*args: _Chosen.args, **chosen: _Chosen.kwargs) -> ReviewResult:
        key = repr((args, sorted(chosen.items())))
        if key not in made:
            made[key] = make(*args, **chosen)
        return made[key]

    return review


@_once
def sample_review(
    *,
    n_scenes: int = 5,
    lacking: Collection[tuple[str, str, str]] = (),
    without_power: Collection[tuple[str, str, str]] = (),
    resolutions: Sequence[str] = ("1080p", "1440p", "2160p"),
    n_cards: int = 3,
    n_runs: int = 3,
    fps: float = 140.0,
    long_labels: bool = False,
    prices: bool = True,
    power: bool = True,
    noise: float = 0.008,
    with_curves: bool = False,
    metrics: Sequence[str] = tuple(RATES),
    n_cuts: int = 2,
    exclude: bool = False,
    missing: bool = False,
    bad_run: bool = False,
    holes: float = 0.0,
    spread: SpreadRule = "shared",
    seed: int = 3,
) -> ReviewResult:
    """A review of known make: the cards differ by a few percent, and by scene a little more or less.

    ``holes`` is the share of cells that a card lacks, and that lack a sensor log; of the last card three times as many.
    """
    rng, lost = np.random.default_rng(seed), np.random.default_rng(seed + 1)
    names = ("Amber 6", "Basalt 9", "Cinder 4", "Drift 70", "Ember 8 Plus", "Flint 5", "Garnet 3", "Heath 2")
    places = ("Harbor", "Canyon", "Night market", "Old mill", "Fern Pavilion", "Ridge line", "Tide pool", "Bottling")
    tail = " with the factory overclock, the quiet fan profile and a 320 W power limit" if long_labels else ""
    cards = tuple(
        CardEntry(
            key=f"card-{number}",
            label=f"{names[number % len(names)]}{'' if number < len(names) else f' mk {number}'}{tail}",
            price=(450.0 + 70.0 * number) if prices else None,
            currency="EUR" if prices else None,
            settings=None,
            driver=None,
            is_baseline=number == 0,
        )
        for number in range(n_cards)
    )
    scenes = tuple(
        SceneEntry(
            key=f"scene-{number}",
            label=places[number % len(places)]
            + ("" if number < len(places) else f" {number // len(places) + 1}")
            + (" in the rain at night, second half of the descent" if long_labels else ""),
            tags=("ray-traced",) if number % 2 else (),
        )
        for number in range(n_scenes)
    )
    cells = tuple((scene.key, resolution) for scene in scenes for resolution in resolutions)
    traced = tuple(cell for cell in cells if int(cell[0].rpartition("-")[2]) % 2)
    cuts = [CutEntry(key="all", label="all cells", definition="every cell", cells=cells)]
    if n_cuts > 1 and traced:
        cuts.append(
            CutEntry(key="traced", label="ray-traced scenes", definition="scenes tagged ray-traced", cells=traced)
        )
        plain = tuple(cell for cell in cells if cell not in traced)
        cuts.append(CutEntry(key="plain", label="without ray tracing", definition="other scenes", cells=plain))
    for resolution in resolutions[: max(0, n_cuts - 3)]:
        kept = tuple(cell for cell in cells if cell[1] == resolution)
        cuts.append(CutEntry(key=resolution, label=resolution, definition=f"cells at {resolution}", cells=kept))
    runs = []
    for scene_number, scene in enumerate(scenes):
        for level, resolution in enumerate(resolutions):
            pace = fps * (1.0 + 0.12 * np.sin(2.3 * scene_number)) / (1.0 + 0.55 * level)
            for number, card in enumerate(cards):
                if missing and number == n_cards - 1 and scene_number == n_scenes - 1 and level == len(resolutions) - 1:
                    continue
                share = holes * (3.0 if number == n_cards - 1 else 1.0) * (number > 0)
                lacks_runs, lacks_power = lost.random(2) < share
                if lacks_runs:
                    continue
                strength = 1.0 + 0.035 * number + 0.03 * np.cos(1.7 * scene_number + number) * (number > 0)
                for repeat in range(1, n_runs + 1):
                    value = float(pace * strength * np.exp(noise * rng.standard_normal()))
                    if bad_run and (number, scene_number, level, repeat) == (1 % n_cards, 0, 0, 2):
                        value *= 0.86
                    runs.append(
                        PlacedRun(
                            name=run_name(card.key, scene.key, resolution, str(repeat)),
                            card=card.key,
                            scene=scene.key,
                            resolution=resolution,
                            run=str(repeat),
                            measured=sample_run(
                                Conditions(card=card.label, scene=scene.label, resolution=resolution, run=str(repeat)),
                                value,
                                power_w=(
                                    (190.0 + 34.0 * number + 3.0 * rng.standard_normal())
                                    if power and not lacks_power
                                    else None
                                ),
                                with_curves=with_curves,
                            ),
                        )
                    )
    headline = metrics[0]
    design = ReviewDesign(
        title="Three invented cards",
        margin=0.03,
        baseline=cards[0].key,
        headline=headline,
        metrics=tuple(metric_entry(key, headline=headline) for key in metrics),
        cards=cards,
        scenes=scenes,
        resolutions=tuple(resolutions),
        cuts=tuple(cuts),
        runs_planned=n_runs,
        spread=spread,
        exclusions={runs[0].name: "the fan cable was loose"} if exclude else {},
    )
    runs = [run for run in runs if (run.card, run.scene, run.resolution) not in lacking]
    return review_runs(
        design,
        [_no_power(run) if (run.card, run.scene, run.resolution) in without_power else run for run in runs],
    )


def _no_power(run: PlacedRun) -> PlacedRun:
    values = {key: value for key, value in run.measured.values.items() if key != "average_power_w"}
    return replace(run, measured=run.measured._replace(values=values))
