"""The invented tuning record: one card raised step by step until it no longer holds, then backed off; and its files.

The card holds and speeds up by a hidden rule (``true_rate_fps``); the trials are those that the steps of common
practice lead to on it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from frametime.demo.file_writing import gzip_bytes
from frametime.demo.models import frame_times_us, sensor_text
from frametime.demo.scenario import CARDS, SCENES, DemoCard, DemoScene

TUNING_SEED: Final = 5
TUNED_CARD: Final = "brae-41"
TRIAL_S: Final = 20.0
ENDURANCE_S: Final = 45 * 60.0
LAP_S: Final = 60.0

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
    endurance_minutes: float | None = None
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
        core=105, memory=200, workload=HEAVY, outcome="froze", endurance_minutes=17.0, peak_temperature_c=78, runs=0
    ),
    DemoTrial(
        core=95, memory=200, workload=HEAVY, outcome="passed", endurance_minutes=45.0, peak_temperature_c=78, runs=0
    ),
    DemoTrial(core=95, memory=200, workload=HEAVY, outcome="passed", runs=3),
    DemoTrial(core=70, memory=100, workload=HEAVY, outcome="passed", runs=3),
)


def true_rate_fps(core: int, memory: int, workload: str) -> float:
    """How fast the card truly is at these offsets: a little with each MHz, and less again past the memory's edge."""
    gain = 1.0 + _CORE_GAIN[workload] * core + _MEMORY_GAIN[workload] * memory
    return _RATES_FPS[workload] * (gain - _EDGE_LOSS * max(0, memory - _EDGE_MHZ))


@dataclass(frozen=True, kw_only=True)
class TuningRun:
    """One logged run of a trial, as the models of frames and sensors want it."""

    number: int
    run: int
    trial: DemoTrial

    @property
    def seed(self) -> tuple[int, ...]:
        """Entropy of this run alone."""
        return (TUNING_SEED, self.number, self.run)

    @property
    def scene(self) -> DemoScene:
        """The workload; under the eyes of whoever tunes, runs repeat better than over a whole review."""
        scene = next(scene for scene in SCENES if scene.key == self.trial.workload)
        return replace(scene, run_sd=0.002)

    @property
    def card(self) -> DemoCard:
        """The card at the clocks and the power of the trial."""
        card = next(card for card in CARDS if card.key == TUNED_CARD)
        return replace(
            card,
            core_clock_mhz=card.core_clock_mhz + self.trial.core // 15 * 15,
            memory_clock_mhz=card.memory_clock_mhz + self.trial.memory,
            power_w=card.power_w + 0.16 * self.trial.core + 0.02 * self.trial.memory,
        )

    @property
    def rate_fps(self) -> float:
        """True average rate."""
        return true_rate_fps(self.trial.core, self.trial.memory, self.trial.workload)

    @property
    def busy_pct(self) -> float:
        """How busy the card is."""
        return 98.0

    @property
    def is_bad(self) -> bool:
        """No run was spoiled."""
        return False

    @property
    def is_capped(self) -> bool:
        """No limiter was set."""
        return False


_HEAD = """\
# An invented tuning record: one card raised step by step until it no longer held, then backed off.
# The paths of logs are counted from the folder of this file.

[card]
name = "{name}"
core_clock_mhz = {core}
memory_clock_mhz = {memory}

[limits]
temperature_c = 85
max_core_offset_mhz = 200
max_memory_offset_mhz = 500
power_w = 300

# From the lightest to the heaviest.
[[workloads]]
name = "{light}"

[[workloads]]
name = "{heavy}"

# Least length of a run in minutes: these invented runs are short.
[lengths]
{light} = 0.3
{heavy} = 0.3
"""

HALFWAY_TRIALS: Final = 14
_HALFWAY = f"# The record of tuning.toml as it stood after {HALFWAY_TRIALS} trials.\n#\n"


def tuning_files(*, full: bool) -> Mapping[str, bytes]:
    """Record, the same halfway, and logs, by path; ``full`` adds the log of the endurance run."""
    files: dict[str, bytes] = {}
    trials = []
    for number, trial in enumerate(TRIALS, start=1):
        stems = [f"trial{number:02d}-run{run}" for run in range(1, trial.runs + 1)]
        for run, stem in enumerate(stems, start=1):
            files |= _logs(TuningRun(number=number, run=run, trial=trial), stem, duration_s=TRIAL_S)
        if full and trial.endurance_minutes is not None and trial.outcome == "passed":
            stems = ["endurance"]
            files |= _logs(TuningRun(number=number, run=1, trial=trial), "endurance", duration_s=ENDURANCE_S)
        trials.append(_trial_text(trial, stems))
    card = next(card for card in CARDS if card.key == TUNED_CARD)
    head = _HEAD.format(
        name=card.label, core=card.core_clock_mhz, memory=card.memory_clock_mhz, light=LIGHT, heavy=HEAVY
    )
    files["tuning.toml"] = "\n".join([head, *trials]).encode()
    files["halfway.toml"] = "\n".join([_HALFWAY + head, *trials[:HALFWAY_TRIALS]]).encode()
    return files


def _logs(run: TuningRun, stem: str, *, duration_s: float) -> dict[str, bytes]:
    times_us = frame_times_us(run, duration_s=duration_s, lap_s=min(LAP_S, duration_s)).tolist()
    text = "\n".join(["frame_time_us", *map(str, times_us)]) + "\n"
    return {
        f"{stem}.csv.gz": gzip_bytes(text.encode()),
        f"{stem}.sensors.csv": sensor_text(run, duration_s=duration_s).encode(),
    }


def _trial_text(trial: DemoTrial, stems: list[str]) -> str:
    lines = [
        "[[trials]]",
        f"core_offset_mhz = {trial.core}",
        f"memory_offset_mhz = {trial.memory}",
        f'workload = "{trial.workload}"',
        f'outcome = "{trial.outcome}"',
    ]
    if trial.endurance_minutes is not None:
        lines += ["endurance = true", f"minutes = {trial.endurance_minutes:g}"]
    if trial.peak_temperature_c is not None:
        lines.append(f"peak_temperature_c = {trial.peak_temperature_c}")
    if stems:
        logs = ", ".join(f'"{stem}.csv.gz"' for stem in stems)
        sensors = ", ".join(f'"{stem}.sensors.csv"' for stem in stems)
        lines += [f"logs = [{logs}]", f"sensors = [{sensors}]"]
    if trial.note:
        lines.append(f'note = "{trial.note}"')
    return "\n".join(lines) + "\n"
