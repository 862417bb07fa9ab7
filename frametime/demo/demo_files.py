"""The files of the invented review: captures, sensor logs, plan and tuning record; and how files are written.

Runs of invented cards rest on random numbers that stay the same. Only the raw output of the bit generator of numpy and
of its seeding is promised to stay; distributions are not. So the few that are needed are made here from raw 64-bit
words. What differs in the last bit of a logarithm or cosine between machines vanishes when frame times are rounded to
whole microseconds.
"""

from __future__ import annotations

import gzip
import io
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from frametime.demo import scenario
from frametime.replacing import claiming, refuse_existing, write_bytes

SHORT_S: Final = 30.0
FULL_S: Final = 60.0
TRIAL_S: Final = 20.0
ENDURANCE_S: Final = 45 * 60.0


def run_files(run: scenario.DemoRun, stem: str, *, duration_s: float, lap_s: float | None = None) -> dict[str, bytes]:
    """The frame log of a run, in the layout that the logs of its card have, and its sensor log, by path.

    Captures of two cards state frame times in whole microseconds; those of the third were saved with decimal commas
    and semicolons, in ms. A review may mix layouts.
    """
    times_us = frame_times_us(run, duration_s=duration_s, lap_s=lap_s).tolist()
    if run.card.layout == "decimal comma":
        lines = ["frame;frame time (ms)"]
        lines += [f"{frame};{time_us / 1000:.3f}".replace(".", ",") for frame, time_us in enumerate(times_us, start=1)]
    else:
        lines = ["frame_time_us", *map(str, times_us)]
    return {
        f"{stem}.csv.gz": gzip_bytes("\n".join([*lines, ""]).encode()),
        f"{stem}.sensors.csv": sensor_text(run, duration_s=duration_s).encode(),
    }


def demo_files(*, full: bool) -> Mapping[str, bytes]:
    """Every file that ``frametime demo`` writes, by path: the same bytes each time.

    Parameters
    ----------
    full : bool
        Runs as long as those of a real review, and the log of an endurance run of 45 minutes.
    """
    files: dict[str, bytes] = {}
    for run in scenario.demo_runs():
        stem = f"captures/{run.card.key}/{run.scene.key}/{run.resolution}/run{run.run}"
        files |= run_files(run, stem, duration_s=FULL_S if full else SHORT_S)
    files["plan.toml"] = _text("plan.toml").encode()
    files |= {f"tuning/{name}": content for name, content in tuning_files(full=full).items()}
    return files


def tuning_files(*, full: bool) -> Mapping[str, bytes]:
    """Record, the same halfway, and logs, by path; ``full`` adds the log of the endurance run."""
    files: dict[str, bytes] = {}
    head, *trials = _text("tuning.toml").split("\n[[trials]]\n")
    for number, trial in enumerate(scenario.TRIALS, start=1):
        for run in range(1, len(trial.logs) + 1):
            stem = f"trial{number:02d}-run{run}"
            files |= run_files(scenario.tuning_run(trial, number, run), stem, duration_s=TRIAL_S)
        if full and trial.minutes is not None and trial.outcome == "passed":
            files |= run_files(scenario.tuning_run(trial, number, 1), "endurance", duration_s=ENDURANCE_S, lap_s=60.0)
            trials[number - 1] += 'logs = ["endurance.csv.gz"]\nsensors = ["endurance.sensors.csv"]\n'
    made = f"# The record of tuning.toml as it stood after {scenario.HALFWAY_TRIALS} trials.\n#\n{head}"
    files["tuning.toml"] = "\n[[trials]]\n".join([head, *trials]).encode()
    files["halfway.toml"] = "\n[[trials]]\n".join([made, *trials[: scenario.HALFWAY_TRIALS]]).encode()
    return files


def _text(name: str) -> str:
    return Path(__file__).with_name(name).read_text("utf-8")


def gzip_bytes(content: bytes) -> bytes:
    """``content`` in gzip, without file name or time, so that equal content gives equal bytes.

    The compressed bytes depend on the compression library that Python is linked to; the content does not.

    Examples
    --------
    >>> gzip.decompress(gzip_bytes(b"8000")), gzip_bytes(b"8000") == gzip_bytes(b"8000")
    (b'8000', True)
    """
    stored = io.BytesIO()
    with gzip.GzipFile(filename="", mode="wb", compresslevel=9, fileobj=stored, mtime=0) as stream:
        stream.write(content)
    return stored.getvalue()


def write_files(folder: Path, files: Mapping[str, bytes], *, force: bool) -> None:
    """Write ``files`` (path below the folder, with ``/``, to content) into ``folder``.

    Each is written under a temporary name in its own folder and then renamed. Nothing at all is written when one of
    them is there with other content, unless ``force`` is given: what an interrupted run has begun, the next one ends.
    Other files in the folder are left alone.

    Raises
    ------
    OutputError
        If another file is there under such a name and ``force`` is not given, or the folder cannot be written.
    """
    paths = {folder / name: content for name, content in files.items()}
    with claiming(paths, force=True, folder=folder):
        missing = {path: held for path, held in paths.items() if not path.is_file() or path.read_bytes() != held}
        refuse_existing(missing, force=force)
        for path, content in missing.items():
            write_bytes(path, content)


class RandomStream:
    """A stream of uniform, normal and exponential numbers.

    Parameters
    ----------
    seed : sequence of int
        All of them together choose the stream.

    Examples
    --------
    >>> RandomStream([1, 2]).uniform(2).tolist() == RandomStream([1, 2]).uniform(2).tolist()
    True
    """

    def __init__(self, seed: Sequence[int]) -> None:
        self._words = np.random.PCG64(np.random.SeedSequence(list(seed)))

    def uniform(self, size: int) -> NDArray[np.float64]:
        """Numbers in (0, 1], shape (size,)."""
        words = np.asarray(self._words.random_raw(size), dtype=np.uint64)
        return ((words >> np.uint64(11)).astype(np.float64) + 1.0) / 2.0**53

    def normal(self, size: int) -> NDArray[np.float64]:
        """Standard normal numbers by the transform of Box and Muller, shape (size,)."""
        return np.sqrt(-2.0 * np.log(self.uniform(size))) * np.cos(2.0 * np.pi * self.uniform(size))

    def exponential(self, size: int) -> NDArray[np.float64]:
        """Exponential numbers with mean 1, shape (size,)."""
        return -np.log(self.uniform(size))

    def following(self, size: int, *, memory: float) -> NDArray[np.float64]:
        """Standard normal numbers, each correlated with the one before by ``memory`` (0 to 1), shape (size,)."""
        fresh = (1.0 - memory**2) ** 0.5
        value = float(self.normal(1)[0])
        values = []
        for innovation in self.normal(size).tolist():
            value = memory * value + fresh * innovation
            values.append(value)
        return np.asarray(values, dtype=np.float64)


_GRID_STEPS_PER_LAP = 3_000
_SLOW_SHARE = 0.012
_MEMORY_S = 0.12


def frame_times_us(run: scenario.DemoRun, *, duration_s: float, lap_s: float | None = None) -> NDArray[np.int64]:
    """Frame times in whole microseconds, shape (n_frames,), of about ``duration_s`` seconds.

    ``lap_s`` is the time for once along the camera path; the whole run where it is not given.

    The work a frame follows the camera path of the scene, which is the same in time on every card. The logarithm
    of the frame time is the sum of that, the level of the run, a slowly changing part, a part of each frame, and in
    about one frame of a hundred an exponential excess.
    """
    stream = RandomStream(run.seed)
    level = float(stream.normal(1)[0]) * run.scene.run_sd
    ends_s = _path_ends_s(run, duration_s, lap_s or duration_s)
    size = ends_s.size
    frame_sd = run.scene.frame_sd
    memory = math.exp(-1.0 / (_MEMORY_S * run.rate_fps))
    noise = 0.7 * frame_sd * stream.following(size, memory=memory) + 0.7 * frame_sd * stream.normal(size)
    slow = np.where(stream.uniform(size) < _SLOW_SHARE, 0.06 + 0.10 * stream.exponential(size), 0.0)
    times_us = np.diff(ends_s, prepend=0.0) * 1e6 * np.exp(level + noise + slow)
    if run.is_capped:
        # A frame that is ready early waits for the limiter; one in a great many is late.
        ready_us = 1e6 / run.rate_fps * np.exp(level + noise + slow)
        times_us = np.maximum(ready_us, 1e6 / scenario.LIMIT_FPS) + 20.0 * stream.normal(size)
    times_us = times_us + _stutters_us(run, ends_s, stream, duration_s)
    rounded = np.asarray(np.rint(times_us), dtype=np.int64)
    return rounded[np.cumsum(rounded) <= duration_s * 1e6]


def _path_ends_s(run: scenario.DemoRun, duration_s: float, lap_s: float) -> NDArray[np.float64]:
    """When each frame would end without noise, a little beyond ``duration_s``."""
    points = np.asarray(run.scene.path)
    # A tenth of a lap beyond the end, for runs whose level is fast. The path goes around.
    laps = duration_s / lap_s + 0.1
    position = np.linspace(0.0, laps, round(_GRID_STEPS_PER_LAP * laps))
    work = np.interp(position * points.size % points.size, np.arange(points.size + 1), np.append(points, points[0]))
    rate_fps = run.rate_fps * float(points.mean()) / work
    grid_s = position * lap_s
    # Where frames are held back, fewer of them go into the same part of the path.
    if run.is_bad:
        spoiled = (grid_s > scenario.BAD_FROM * duration_s) & (grid_s < scenario.BAD_TO * duration_s)
        rate_fps = np.where(spoiled, rate_fps / scenario.BAD_SLOWDOWN, rate_fps)
    if run.is_capped:
        rate_fps = np.minimum(rate_fps, scenario.LIMIT_FPS)
    frames = np.concatenate(([0.0], np.cumsum((rate_fps[1:] + rate_fps[:-1]) / 2.0 * np.diff(grid_s))))
    return np.interp(np.arange(1.0, np.floor(frames[-1])), frames, grid_s)


def _stutters_us(
    run: scenario.DemoRun, ends_s: NDArray[np.float64], stream: RandomStream, duration_s: float
) -> NDArray[np.float64]:
    """Excess of the stutters, 0 for all other frames."""
    expected = run.scene.stutters_per_min * duration_s / 60.0
    gaps = stream.exponential(int(4 * expected) + 8)
    times_s = np.cumsum(gaps) * (duration_s / expected)
    sizes_us = 9_000.0 + 9_000.0 * stream.exponential(times_s.size)
    if run.scene.hitch_every_s is not None:
        regular_s = np.arange(run.scene.hitch_every_s, duration_s, run.scene.hitch_every_s)
        times_s = np.concatenate((times_s, regular_s + 0.01 * stream.normal(regular_s.size)))
        sizes_us = np.concatenate((sizes_us, 24_000.0 + 3_000.0 * stream.normal(regular_s.size)))
    if run.is_bad:
        during_s = (scenario.BAD_FROM + (scenario.BAD_TO - scenario.BAD_FROM) * stream.uniform(14)) * duration_s
        times_s = np.concatenate((times_s, during_s))
        sizes_us = np.concatenate((sizes_us, 15_000.0 + 20_000.0 * stream.exponential(14)))
    # A stutter is never small against the frame that it hits.
    least_us = 1.2e6 / run.rate_fps
    excess_us = np.zeros(ends_s.size)
    for time_s, size_us in zip(times_s.tolist(), sizes_us.tolist(), strict=True):
        place = int(np.searchsorted(ends_s, time_s))
        if place < ends_s.size:
            excess_us[place] += size_us + least_us
    return excess_us


HEADER = "elapsed_s,power_w,temperature_c,core_clock_mhz,memory_clock_mhz,utilization_pct"
_CLOCK_STEP_MHZ = 15
_WARMING_S = 9.0


def sensor_text(run: scenario.DemoRun, *, duration_s: float) -> str:
    """The sensor log of a run on the clock of its frame log, from 0 to a little after its end."""
    stream = RandomStream((*run.seed, 1))
    card = run.card
    times_s = _sample_times_s(stream, duration_s)
    size = times_s.size
    load = np.full(size, run.busy_pct / 100.0)
    if run.is_bad:
        # The processor is taken by something else: the card waits.
        load = np.where(
            (times_s > scenario.BAD_FROM * duration_s) & (times_s < scenario.BAD_TO * duration_s), load - 0.17, load
        )
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
