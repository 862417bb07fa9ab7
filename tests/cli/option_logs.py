"""Small logs in each of which one option makes a difference."""

from __future__ import annotations

import gzip
import random
from pathlib import Path

N_FRAMES = 600
_START = "2026-05-04T10:00:"


def write_option_logs(folder: Path) -> None:
    """Write all of them into the folder; those of ``reading_logs`` also alone into folders of their own."""
    for name, content in reading_logs().items():
        data = gzip.compress(content.encode(), mtime=0) if name.endswith(".gz") else content.encode()
        (folder / name).write_bytes(data)
        alone = folder / f"{name.replace('.', '_')}_alone"
        alone.mkdir()
        (alone / name).write_bytes(data)
        _write_review_of(folder, name, data)
    written = {
        **sensor_logs(),
        **_LAYOUTS,
        "plan.toml": _PLAN.replace("LABEL", "Amber"),
        "shelf.toml": _PLAN.replace("LABEL", "Amber") + '\n[shelf]\nfolder = "shelf"\nsession = "spring"\n',
        "formulas.toml": _PLAN.replace('"birch"', '"=birch"').replace("LABEL", "Amber"),
        "record.toml": _RECORD,
        "tuned.toml": _RECORD + _TRIALS,
    }
    for name, content in written.items():
        (folder / name).write_text(content, encoding="utf-8")
    for name in ("taken.txt", "taken.md", "taken.zip", "taken/plan.toml"):
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_text("taken\n", encoding="utf-8")
    _write_review(folder)
    bench = folder / "bench"
    bench.mkdir()
    for log in ("run.csv", "absolute.csv"):
        (bench / log).write_text(reading_logs()[log], encoding="utf-8")
        for name, content in sensor_logs().items():
            (bench / f"{log}.{name}").write_text(content, encoding="utf-8")
            beside = folder / f"{log}_{name}_beside"
            beside.mkdir()
            (beside / log).write_text(reading_logs()[log], encoding="utf-8")
            (beside / log.replace(".csv", ".sensors.csv")).write_text(content, encoding="utf-8")


def _write_review_of(folder: Path, name: str, data: bytes) -> None:
    """The log as the one run of a review whose plan is beside the folder."""
    ending = "csv.gz" if name.endswith(".gz") else "csv"
    root = folder / f"{name.replace('.', '_')}_review"
    run = root / "amber" / "scene" / f"run1.{ending}"
    run.parent.mkdir(parents=True)
    run.write_bytes(data)
    first, _, scenes = _PLAN.replace("LABEL", "Amber").partition('[[cards]]\nkey = "birch"\nlabel = "Birch"\n\n')
    plan = (first + scenes).replace('folder = "captures"', f'folder = "{root.name}"')
    pattern = f"{{card}}/{{scene}}/run{{run}}.{ending}"
    plan = plan.replace("{card}/{scene}/{resolution}/run{run}.csv", pattern)
    root.with_suffix(".toml").write_text(plan, encoding="utf-8")


def _write_review(folder: Path) -> None:
    runs = {"run1.csv": "run.csv", "run2.csv": "stutters.csv"}
    for card in ("amber", "birch", "=birch"):
        for name, log in runs.items():
            path = folder / "captures" / card / "scene" / "1440p" / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(reading_logs()[log], encoding="utf-8")
    formulas = folder / "formulas" / "=1+1.csv"
    formulas.parent.mkdir()
    formulas.write_text(reading_logs()["run.csv"], encoding="utf-8")


def frame_times_ms() -> list[float]:
    """Frames of about 10 ms that slow down toward the end, with a stutter now and then."""
    rng = random.Random("options")
    times_ms = [(10.0 + 2.0 * i / N_FRAMES) * rng.lognormvariate(0.0, 0.1) for i in range(N_FRAMES)]
    for number, i in enumerate(range(37, N_FRAMES, 83)):
        times_ms[i] = 22.0 + 10.0 * number
    return [round(time_ms, 3) for time_ms in times_ms]


def reading_logs() -> dict[str, str]:
    """Frame logs by name."""
    times_ms = frame_times_ms()
    stamps_ms = [round(sum(times_ms[: i + 1]), 3) for i in range(N_FRAMES)]
    run = "frame time (ms)\n" + "".join(f"{time_ms}\n" for time_ms in times_ms)
    stamps = [f"{stamp_ms / 1000.0:.6f}" for stamp_ms in stamps_ms]
    backwards = [*stamps[:100], *stamps[100:200][::-1], *stamps[200:]]
    torn = [f"{time_ms}" if i % 17 else "?" for i, time_ms in enumerate(times_ms)]
    streams = [f"{'menu' if i % 3 == 0 else 'scene'},{stamp}" for i, stamp in enumerate(stamps)]
    own = [f"{stamp},{150 + i % 50},{60 + i % 20},{2400 if i < 300 else 2200}" for i, stamp in enumerate(stamps)]
    return {
        "run.csv": run,
        "run.csv.gz": run,
        "pause.csv": f"{run}3000\n" + "".join(f"{time_ms * 1.25:.3f}\n" for time_ms in times_ms[: N_FRAMES // 2]),
        "stutters.csv": "frame time (ms)\n" + "".join(f"{time_ms * 1.25:.3f}\n" for time_ms in reversed(times_ms)),
        "two.csv": "frame time (ms),work (ms)\n" + "".join(f"{t},{t / 2.0:.4f}\n" for t in times_ms),
        "no_unit.csv": "frame time\n" + "".join(f"{t}\n" for t in times_ms),
        "streams.csv": "application,elapsed (s)\n" + "".join(f"{row}\n" for row in streams),
        "backwards.csv": "elapsed (s)\n" + "".join(f"{stamp}\n" for stamp in backwards),
        "torn.csv": "frame time (ms)\n" + "".join(f"{text}\n" for text in torn),
        "absolute.csv": "time\n" + "".join(f"{_START}{float(stamp):09.6f}Z\n" for stamp in stamps),
        "own.csv": "elapsed (s),power (W),temperature (°C),core clock (MHz)\n" + "".join(f"{row}\n" for row in own),
    }


def sensor_logs() -> dict[str, str]:
    """Sensor logs by name."""
    seconds = range(12)
    return {
        "sensors.csv": "elapsed (s),power (W),temperature (°C)\n"
        + "".join(f"{s},{100 + s * s},{60 + s}\n" for s in seconds),
        "boards.csv": "elapsed (s),power A (W),power B (W)\n" + "".join(f"{s},{100 + s},{150 + s}\n" for s in seconds),
        "zoned.csv": "time,power (W)\n" + "".join(f"{_START}{s:02d}Z,{100 + s * s}\n" for s in seconds),
        "local.csv": "time,power (W)\n" + "".join(f"{_START}{s:02d},{100 + s * s}\n" for s in seconds),
        "cards.csv": "elapsed (s),card,power (W)\n"
        + "".join(f"{s},{card},{100 * card + s}\n" for s in seconds for card in (1, 2)),
    }


_LAYOUTS = {
    "second.toml": 'time_column = "work (ms)"\nunit = "ms"\nkind = "frame time"\n',
    "board.toml": 'time_column = "elapsed (s)"\nunit = "s"\npower_w = "power B (W)"\npower_w_unit = "W"\n',
}

_PLAN = """title = "Two cards"
baseline = "amber"
resolutions = ["1440p"]
runs = 2

[captures]
folder = "captures"
pattern = "{card}/{scene}/{resolution}/run{run}.csv"

[[cards]]
key = "amber"
label = "LABEL"

[[cards]]
key = "birch"
label = "Birch"

[[scenes]]
key = "scene"
label = "Scene"
"""

_RECORD = """[card]
name = "Amber"

[limits]
temperature_c = 85
max_core_offset_mhz = 250
max_memory_offset_mhz = 1000

[[workloads]]
name = "light scene"

[[workloads]]
name = "heavy scene"

[lengths]
"light scene" = 0.05
"heavy scene" = 0.05
"""

_TRIALS = """
[[trials]]
core_offset_mhz = 0
memory_offset_mhz = 0
workload = "light scene"
outcome = "passed"
average_fps = [100.0]

[[trials]]
core_offset_mhz = 25
memory_offset_mhz = 0
workload = "light scene"
outcome = "passed"
average_fps = [102.0]
"""
