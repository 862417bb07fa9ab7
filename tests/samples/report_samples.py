"""Reviews for the tests of the report: the small example, one full of hostile text, one of a hundred cells."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import example_result as example
import numpy as np

from frametime.caveats import Caveat, Weight
from frametime.metrics.metric import Curve
from frametime.review.design import CutEntry, MetricEntry
from frametime.review.result import ReviewResult
from frametime.review.reviewing import review_runs
from frametime.tuning.record import CardFacts, Limits, Outcome, Setting, Steps, Trial, TuningRecord, Workload
from frametime.tuning.summarizing import summarize
from frametime.tuning.tuning_summary import TuningSummary

HOSTILE = (
    "<script>alert(1)</script>",
    "\"quoted\" 'too' | bar & &amp; </td></table>",
    "line one\nline two\r\n# no heading\n\n- no item",
    "<img src=x onerror=alert(2)>",
    "--> ]]> </style></script></title> `tick` *star* _under_ [link](https://elsewhere.example)",
    "control \x1b[31m\x00 right \u202eto left, not UTF-8: \udcff, \u00fcml\u00e4ut, \U0001f5fb, {{ 7 * 7 }} {% raw %}",
)


def small() -> ReviewResult:
    """Three cards, three scenes, two resolutions; one run is off, one cell is missing, one run is excluded."""
    return example.example_result()


def hostile() -> ReviewResult:
    """The small review with hostile text wherever a log or a plan can put some."""
    design = example.example_design()
    script, quotes, lines, image, closing, direction = HOSTILE
    cards = tuple(
        replace(card, label=label, settings=closing, driver=image)
        for card, label in zip(design.cards, (script, quotes, direction), strict=True)
    )
    scenes = tuple(
        replace(scene, label=label, tags=(script,))
        for scene, label in zip(design.scenes, (image, lines, closing), strict=True)
    )
    cuts = tuple(replace(cut, label=label, definition=script) for cut, label in zip(design.cuts, HOSTILE, strict=False))
    metrics = tuple(
        replace(metric, label=label, definition=closing, source=quotes)
        for metric, label in zip(design.metrics, (script, lines, quotes), strict=True)
    )
    changed = replace(
        design,
        title=script + closing,
        cards=cards,
        scenes=scenes,
        cuts=cuts,
        metrics=metrics,
        exclusions={"amber-6/canyon/1440p/3": closing},
    )
    runs = [_hostile_run(run, number) for number, run in enumerate(example.example_runs())]
    result: ReviewResult = review_runs(changed, runs, plan={"title": script, closing: [quotes, {lines: image}]})
    return replace(
        result,
        paragraphs=dict.fromkeys(result.paragraphs, closing),
        caveats=(*result.caveats, Caveat(code="odd", message=script, weight=Weight.REPEAT)),
    )


def _hostile_run(run: Any, number: int) -> Any:
    text = HOSTILE[number % len(HOSTILE)]
    measured = run.measured
    caveat = Caveat(code="odd-name", message=text, weight=Weight.CARE)
    return replace(
        run,
        measured=measured._replace(
            provenance=replace(measured.provenance, file_name=f"{text}.csv", adapter=text),
            caveats=(*measured.caveats, caveat),
        ),
    )


# Key, unit, what is better, and the size against the average rate or the frame time: twelve metrics.
MANY_METRICS = (
    ("average_fps", "{frame}/s", "higher", 1.0),
    ("low_1pct_percentile_fps", "{frame}/s", "higher", 0.7),
    ("low_0p1pct_percentile_fps", "{frame}/s", "higher", 0.5),
    ("low_1pct_mean_fps", "{frame}/s", "higher", 0.62),
    ("low_1pct_time_fps", "{frame}/s", "higher", 0.6),
    ("median_frame_time_ms", "ms", "lower", 0.98),
    ("p95_frame_time_ms", "ms", "lower", 1.25),
    ("low_0p1pct_mean_fps", "{frame}/s", "higher", 0.45),
    ("low_0p1pct_time_fps", "{frame}/s", "higher", 0.4),
    ("longest_frame_time_ms", "ms", "lower", 4.0),
    ("frame_time_sd_ms", "ms", "lower", 0.14),
    ("rmssd_ms", "ms", "lower", 0.11),
)


def hundred_cells(
    n_scenes: int = 25, n_runs: int = 3, n_points: int = 1500, *, many_metrics: bool = False
) -> ReviewResult:
    """Three cards over a hundred cells, nine hundred runs, each with a trace that compresses badly.

    With ``many_metrics`` twelve metrics are compared, each in every cell.
    """
    rng = np.random.default_rng(3)
    scenes = [f"scene-{number:02d}" for number in range(1, n_scenes + 1)]
    resolutions = ("1080p", "1440p", "2160p", "2160p-wide")
    cards = ("amber-6", "birch-9", "cedar-12")
    runs = []
    for scene_number, scene in enumerate(scenes):
        for resolution_number, resolution in enumerate(resolutions):
            for card_number, card in enumerate(cards):
                for number in range(1, n_runs + 1):
                    level = (180.0 - 4.0 * scene_number) * 0.75**resolution_number * (1.0 + 0.04 * card_number)
                    fps = level * math.exp(0.008 * rng.standard_normal())
                    low = fps * 0.7 * math.exp(0.015 * rng.standard_normal())
                    watts = 240.0 + 30.0 * card_number + rng.normal(0.0, 2.0)
                    values = {
                        "average_fps": fps,
                        "low_1pct_percentile_fps": low,
                        "p99_frame_time_ms": 1000.0 / low,
                        "average_power_w": watts,
                        "energy_per_frame_j": watts / fps,
                        "frames_per_joule": fps / watts,
                    }
                    for key, unit, _, factor in MANY_METRICS if many_metrics else ():
                        level = fps if unit == "{frame}/s" else 1000.0 / fps
                        values.setdefault(key, level * factor * math.exp(0.015 * rng.standard_normal()))
                    runs.append(
                        example.placed_run(
                            card, scene, resolution, str(number), values, curves=_noise(rng, 1000.0 / fps, n_points)
                        )
                    )
    every_other = tuple((scene, resolution) for scene in scenes[::2] for resolution in resolutions)
    design = example.design(
        cards,
        scenes,
        resolutions,
        prices={"amber-6": 499.0, "birch-9": 579.0, "cedar-12": 649.5},
        cuts=(CutEntry(key="half", label="Every other scene", definition="chosen by number", cells=every_other),),
        **({"metrics": _many_metrics()} if many_metrics else {}),
    )
    result: ReviewResult = review_runs(design, runs, plan={"title": "A hundred cells"})
    return result


def _many_metrics() -> tuple[MetricEntry, ...]:
    return tuple(
        MetricEntry(
            key=key,
            label=key.replace("_", " "),
            unit=unit,
            better=better,
            definition=f"The {key.replace('_', ' ')} of the run, for this test only.",
            source="made for this test",
            is_headline=key == "average_fps",
        )
        for key, unit, better, _ in MANY_METRICS
    )


def _noise(rng: np.random.Generator, frame_time_ms: float, n_points: int) -> dict[str, Curve]:
    times_s = np.linspace(0.0, 60.0, n_points + 1)[1:]
    low = frame_time_ms * np.exp(-np.abs(0.1 * rng.standard_normal(n_points)))
    high = frame_time_ms * np.exp(np.abs(0.15 * rng.standard_normal(n_points)))

    def curve(values: np.ndarray) -> Curve:
        return Curve(
            x=tuple(times_s.tolist()), y=tuple(values.tolist()), x_label="elapsed time, s", y_label="frame time, ms"
        )

    return {"trace_low": curve(low), "trace_high": curve(high)}


def tuned() -> TuningSummary:
    """A short tuning record with hostile names: a gain, a setting past the edge, a failure."""

    def trial(core: int, *fps: float, outcome: Outcome = Outcome.PASSED) -> Trial:
        power_w = tuple(200.0 + core / 10.0 for _ in fps)
        setting = Setting(core_offset_mhz=core)
        return Trial(
            setting=setting,
            workload=HOSTILE[0],
            outcome=outcome,
            average_fps=fps,
            average_power_w=power_w,
            note=HOSTILE[4],
        )

    return summarize(
        TuningRecord(
            card=CardFacts(name=HOSTILE[1]),
            limits=Limits(temperature_c=85.0, max_core_offset_mhz=250, max_memory_offset_mhz=800, power_w=250.0),
            workloads=(Workload(name=HOSTILE[0]),),
            steps=Steps(),
            trials=(
                trial(0, 99.0, 100.0, 101.0),
                *(trial(core, 100.0 + core / 12.0, 100.4 + core / 12.0) for core in range(25, 125, 25)),
                trial(125, 99.9, 100.0, 100.1),
                trial(150, outcome=Outcome.DRIVER_RESET),
            ),
        )
    )
