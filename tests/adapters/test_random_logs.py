"""Logs whose language, marks, header, columns and faults are drawn at random: nearly all are read, and none wrong."""

from __future__ import annotations

import io
import random
from itertools import accumulate
from typing import NamedTuple

import pytest

from frametime.adapters.reading import read_capture
from frametime.capture import TIME_COLUMN
from frametime.caveats import Weight
from frametime.errors import ReadError

LENGTHS = {
    "en": ("frame time", "frametime", "Frame duration", "frame_time", "delta time", "dt", "time per frame"),
    "de": ("Bildzeit", "Framezeit", "Bilddauer"),
    "fr": ("durée de l'image", "temps d'image"),
    "es": ("duración del fotograma", "tiempo de fotograma"),
    "it": ("durata fotogramma", "tempo fotogramma"),
    "pt": ("duração do quadro", "tempo do quadro"),
    "ja": ("フレーム時間",),
    "zh": ("帧时间",),
    "ko": ("프레임 시간",),
    "ru": ("время кадра",),
    "pl": ("czas klatki",),
}
STAMPS = {
    "en": ("time", "timestamp", "elapsed", "start time", "frame start", "t", "Time since start"),
    "de": ("Zeit", "Zeitstempel", "Laufzeit"),
    "fr": ("temps", "horodatage", "temps écoulé"),
    "es": ("tiempo", "marca de tiempo"),
    "it": ("tempo",),
    "pt": ("tempo",),
    "ja": ("時間", "時刻"),
    "zh": ("时间",),
    "ko": ("시간",),
    "ru": ("время",),
    "pl": ("czas",),
}
RATES = {
    "en": ("fps", "FPS", "framerate", "frames per second", "frame rate"),
    "de": ("Bildrate", "Bilder pro Sekunde"),
    "fr": ("images par seconde", "ips"),
    "es": ("fotogramas por segundo",),
    "it": ("fotogrammi al secondo",),
    "pt": ("quadros por segundo",),
    "ja": ("フレームレート",),
    "zh": ("帧率",),
    "ko": ("프레임 속도",),
    "ru": ("кадров в секунду",),
    "pl": ("klatki na sekundę",),
}
KINDS = (("length",), ("stamp",), ("rate",), ("length", "stamp"), ("length", "rate"), ("stamp", "end"))
UNITS = {"s": (1e-3, 7), "ms": (1.0, 4), "us": (1e3, 1), "ns": (1e6, 0)}
TITLES = ((), ("# game: invented", "# date: 2026-11-30"), ("Log of a run", ""))
FAULTS = (
    "",
    "",
    "",
    "last line cut",
    "header again",
    "one cell missing",
    "one NaN",
    "trailing delimiter",
    "total below",
)


class Column(NamedTuple):
    name: str
    unit: str
    cells: list[str]


def random_log(seed: int) -> tuple[bytes, list[float]]:
    """A log, and the lengths of its frames in ms."""
    dice = random.Random(seed)
    n, usual = dice.choice((120, 240, 600)), dice.choice((4.2, 6.9, 8.3, 11.0, 16.7, 33.3))
    ms = [max(0.4 * usual, dice.gauss(usual, 0.06 * usual)) * (4.0 if dice.random() < 0.01 else 1.0) for _ in range(n)]
    language = dice.choice([*["en"] * 5, *LENGTHS])
    delimiter = dice.choice(",,;;\t|")
    mark = "," if delimiter != "," and dice.random() < 0.3 else "."

    def fixed(values: list[float], digits: int) -> list[str]:
        return [f"{value:.{digits}f}".replace(".", mark) for value in values]

    def timed(name: str, values: list[float]) -> Column:
        unit = dice.choice(("ms", "ms", *UNITS))
        factor, digits = UNITS[unit]
        return Column(name, unit, fixed([value * factor for value in values], digits))

    ends, begins = list(accumulate(ms)), [0.0, *accumulate(ms[:-1])]
    made = {
        "length": lambda: timed(dice.choice(LENGTHS[language]), ms),
        "stamp": lambda: timed(dice.choice(STAMPS[language]), begins),
        "end": lambda: timed("end time", ends),
        "rate": lambda: Column(dice.choice(RATES[language]), "", fixed([1000.0 / each for each in ms], 2)),
    }
    of_frames = [made[kind]() for kind in dice.choice(KINDS)]
    beside = [
        Column("GPU work", "ms", fixed([each * dice.uniform(0.6, 0.9) for each in ms], 3)),
        Column("GPU temperature", "°C", [str(60 + at // 100) for at in range(n)]),
        Column("board power", "W", fixed([dice.gauss(240.0, 5.0) for _ in ms], 1)),
        Column("core clock", "MHz", [str(dice.randrange(2500, 2600, 5)) for _ in ms]),
        Column("process", "", ["invented.exe"] * n),
        Column("dropped", "", ["0"] * n),
        Column("notes", "", [""] * n),
        Column("draw calls", "", [str(dice.randrange(900, 1900)) for _ in ms]),
    ]
    columns = of_frames + dice.sample(beside, dice.choice((0, 1, 2, 4)))
    dice.shuffle(columns)
    form = dice.choice(("{0} ({1})", "{0} [{1}]", "{0}_{1}", "{0}", "units row"))
    names = [each.name if not each.unit or form == "units row" else form.format(*each) for each in columns]
    fault = dice.choice(FAULTS)
    if fault in ("one cell missing", "one NaN") and len(columns) > 1:
        of_frames[0].cells[dice.randrange(5, n - 5)] = "" if fault == "one cell missing" else "NaN"
    quote = '"' if dice.random() < 0.15 else ""
    lines = [names, *([[each.unit for each in columns]] if form == "units row" else [])]
    lines += [list(row) for row in zip(*(each.cells for each in columns), strict=True)]
    if fault == "header again":
        lines.insert(n // 2, names)
    text = [delimiter.join(f"{quote}{cell}{quote}" for cell in line) for line in lines]
    if fault == "trailing delimiter" and len(columns) > 1:
        text = [line + delimiter for line in text]
    if fault == "total below":
        text += ["", f"Average{delimiter}{1000.0 / usual:.1f}".replace(".", mark)]
    end = dice.choice(("\n", "\r\n"))
    whole = end.join([*dice.choice(TITLES), *text]) + end
    whole = whole[: -dice.randrange(2, 6)] if fault == "last line cut" else whole
    return whole.encode(dice.choice(("utf-8", "utf-8-sig", "utf-16"))), ms


def judged(seed: int) -> str:
    """Whether a log is read right, with or without a caveat, refused, or silently wrong."""
    content, ms = random_log(seed)
    try:
        capture = read_capture(io.BytesIO(content))
    except ReadError:
        return "refused"
    stamps = capture.frames[TIME_COLUMN].to_pylist()
    found = (stamps[-1] - stamps[0]) / 1e6 / (len(stamps) - 1)
    # A clock of starts or ends holds one length less; a fault takes a frame or two.
    parts = [ms[a : len(ms) - b] for a in range(3) for b in range(3)]
    is_right = min(abs(found * len(part) / sum(part) - 1.0) for part in parts) < 0.004
    is_told = any(caveat.weight is not Weight.NOTE for caveat in capture.caveats)
    return "right" if is_right else "told" if is_told else "wrong"


@pytest.mark.parametrize("first", [0, pytest.param(10_000, marks=pytest.mark.slow)])
def test_nearly_all_are_read_and_none_is_silently_wrong(first: int) -> None:
    outcomes = [judged(seed) for seed in range(first, first + (200 if first == 0 else 3_000))]
    assert [seed for seed, outcome in enumerate(outcomes, first) if outcome == "wrong"] == []
    assert outcomes.count("right") >= 0.98 * len(outcomes)
