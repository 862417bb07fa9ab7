"""Frame logs as a bench leaves them, each made from the same known frames; what is to be read of each, or refused."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from itertools import accumulate
from typing import NamedTuple

N = 400
MS = [16.0 + (i * i * 7919 % 1009) / 750.0 + (12.0 if i % 97 == 50 else 0.0) for i in range(N)]
"""Lengths of the frames in ms: uneven as real ones are, with a few long ones; they never rise all through."""
ENDS = [round(value, 6) for value in accumulate(MS)]
RATE = 1000.0 * N / sum(MS)
EPOCH_S = 1_790_000_000
GPU = [value * 0.8 for value in MS]


class BenchLog(NamedTuple):
    """One log: its bytes, the average rate that is right (``None``: it must be refused), and codes of caveats."""

    name: str
    content: bytes
    rate: float | None
    codes: tuple[str, ...] = ()
    says: str = ""
    """What a refusal must say."""


Column = Sequence[object]


def table(header: str | None, *columns: Column, delimiter: str = ",", above: str = "", below: str = "") -> bytes:
    """A text of these columns."""
    lines = [] if header is None else [header]
    lines += [delimiter.join(str(cell) for cell in row) for row in zip(*columns, strict=True)]
    return (above + "\n".join(lines) + "\n" + below).encode()


def fixed(values: Sequence[float], digits: int = 3, factor: float = 1.0, shift: float = 0.0) -> list[str]:
    return [f"{value * factor + shift:.{digits}f}" for value in values]


def whole(values: Sequence[float], factor: float = 1.0, shift: int = 0) -> list[str]:
    return [str(round(value * factor) + shift) for value in values]


COUNT = list(range(N))
D_MS = fixed(MS)
T_MS = fixed(ENDS)
T_S = fixed(ENDS, 6, 1e-3)
D_US = whole(MS, 1e3)
FPS = [f"{1000.0 / value:.4f}" for value in MS]
CLOCKS = [f"{int(v) // 3600000:02d}:{int(v) // 60000 % 60:02d}:{v / 1000 % 60:09.6f}" for v in ENDS]
NAMED = "reading-inferred"


def _read() -> list[BenchLog]:
    found = []

    def read(name: str, content: bytes, *codes: str, rate: float = RATE) -> None:
        found.append(BenchLog(name, content, rate, codes))

    # Nothing but numbers.
    read("one column of ms, no header", table(None, D_MS), NAMED)
    read("one column of us, no header", table(None, D_US), NAMED)
    read("one column of seconds, no header", table(None, fixed(MS, 6, 1e-3)), NAMED)
    read("one column of ns, no header", table(None, whole(MS, 1e6)), NAMED)
    read("one rising column of ms, no header", table(None, T_MS), NAMED)
    read("one rising column of seconds, no header", table(None, T_S), NAMED)
    read("counter, clock and length, no header", table(None, COUNT, T_S, D_MS), NAMED)
    read("clock and rates, no header", table(None, T_S, FPS), NAMED)
    read("10-digit seconds, no header", table(None, fixed(ENDS, 6, 1e-3, EPOCH_S)), NAMED)
    # A unit that only one reading can have.
    for name, values in (("ms", D_MS), ("us", D_US), ("s", fixed(MS, 6, 1e-3)), ("ns", whole(MS, 1e6))):
        for header in ("frametime", "Frame Time", "duration", "delta", "dt", "FRAME_DURATION", "time"):
            read(f"{header} in {name} without a unit", table(header, values), NAMED)
    for header in ("time", "timestamp", "elapsed", "t", "Clock", "frame end", "presented at"):
        if header in ("frame end", "presented at"):
            continue
        read(f"{header} in s without a unit", table(header, T_S), NAMED)
        read(f"{header} in ms without a unit", table(header, T_MS), NAMED)
    read("10-digit seconds named timestamp", table("timestamp", fixed(ENDS, 6, 1e-3, EPOCH_S)), NAMED)
    read("13-digit ms named epoch", table("epoch", whole(ENDS, 1, EPOCH_S * 1000)), NAMED)
    read("16-digit us named unix time", table("unix time", whole(ENDS, 1e3, EPOCH_S * 10**6)), NAMED)
    read("19-digit ns named time", table("time", whole(ENDS, 1e6, EPOCH_S * 10**9)), NAMED)
    read("two columns without units", table("time,frametime", T_S, D_MS), NAMED)
    read("time and rate without units", table("time,fps", T_S, FPS), NAMED)
    # Names in other languages.
    for header in (
        *(
            "Bildzeit (ms)",
            "Framezeit [ms]",
            "Bilddauer in ms",
            "Dauer (ms)",
            "Einzelbild-Dauer (ms)",
            "Bildabstand ms",
        ),
        *("durée d'image (ms)", "temps d'image (ms)", "Durée de trame [ms]", "intervalle (ms)"),
        *("tiempo de fotograma (ms)", "duración del cuadro (ms)", "Tiempo por cuadro (ms)", "intervalo (ms)"),
        *("tempo de quadro (ms)", "duração do quadro (ms)", "tempo por quadro (ms)"),
        *("tempo di fotogramma (ms)", "durata fotogramma (ms)", "durata (ms)"),
        *("czas klatki (ms)", "czas trwania klatki (ms)", "odstęp klatek (ms)"),
        *("время кадра (мс)", "длительность кадра, мс", "Время кадра мс", "интервал (мс)"),
        *("フレーム時間（ミリ秒）", "フレーム時間 (ms)", "フレーム間隔(ms)"),
        *("帧时间（毫秒）", "帧时间(ms)", "帧间隔 (ms)", "每帧时间(ms)", "幀時間（毫秒）"),
        *("프레임 시간 (ms)", "프레임시간(밀리초)", "프레임 간격 (ms)"),
    ):
        values = D_MS
        quoted = f'"{header}"' if "," in header else header
        read(header, table(quoted, values))
    for header in ("Zeit (s)", "Zeitstempel (s)", "horodatage (s)", "temps (s)", "tiempo (s)", "marca de tiempo (s)",
                   "tempo (s)", "czas (s)", "znacznik czasu (s)", "время (с)", "метка времени (с)", "時間（秒）",
                   "タイムスタンプ (s)", "时间戳(秒)", "时间（秒）", "시간 (초)", "타임스탬프 (s)"):  # fmt: skip
        read(header, table(header, T_S))
    for header in ("Bilder pro Sekunde", "images par seconde", "fotogramas por segundo", "cuadros por segundo",
                   "quadros por segundo", "fotogrammi al secondo", "klatki na sekundę", "кадров в секунду",
                   "フレームレート", "帧率", "프레임률", "Bildrate", "frames/s", "frames/sec", "frames per sec",
                   "frames per second", "FPS", "Framerate", "frame rate (1/s)", "fréquence d'images"):  # fmt: skip
        read(header, table(header, FPS))
    # Two clocks of one engine that differ by jitter: the stamps lead.
    shaken = [value + (0.4 if i % 2 else -0.4) for i, value in enumerate(MS)]
    read(
        "clock and lengths that jitter", table("time (ms),frame time (ms)", T_MS, fixed(shaken)), "time-columns-differ"
    )
    starts = [0.0, *ENDS[:-1]]
    read("start and end", table("start (ms),end (ms)", fixed(starts), T_MS))
    read("lengths of two kinds", table("frame time (ms),present interval (ms)", D_MS, fixed(shaken)))
    # Lines above the table.
    for count in (1, 30, 150, 1500):
        above = "".join(f"# note {i}: this line says nothing of frames\n" for i in range(count))
        read(f"{count} comment lines", table("frame time (ms)", D_MS, above=above))
        pairs = "".join(f"Setting {i}: {i * 3}\n" for i in range(count))
        read(f"{count} lines of metadata", table("time (s),frame time (ms)", T_S, D_MS, above=pairs))
    read("4000 long comment lines", table("frame time (ms)", D_MS, above=f"// {'x' * 60}\n" * 4000))
    broken = list(T_S)
    broken[200] = "NaN"
    read("a NaN among stamps", table("time (s)", broken), "rejected-rows")
    read("a NaN among stamps beside lengths", table("time (s),frame time (ms)", broken, D_MS))
    # Units with a stated factor.
    for header, factor in (
        *(("frametime (0.1 ms)", 10.0), ("frametime (0.01 ms)", 100.0), ("frametime x0.1ms", 10.0)),
        *(("frametime 0.5us", 2000.0), ("frametime (hundredths of ms)", 100.0), ("frame time 1e-3 ms", 1000.0)),
        *(("frametime_tenths of ms", 10.0), ("duration (10 us)", 100.0), ("frame_time_100ns", 10_000.0)),
    ):
        read(header, table(header, whole(MS, factor)))
    read("(0,1 ms)", table('"frametime (0,1 ms)"', whole(MS, 10.0)))
    for header in ("frametime_2_ms", "frametime v2 ms", "frame time 3 (ms)", "frametime2 (ms)", "1_frametime_ms"):
        read(header, table(header, D_MS))
    read("time_2_s", table("time_2_s", T_S))
    read("ms per frame", table("ms per frame", D_MS))
    # Parts of the work beside the frame: the frame is read.
    for word in PARTS:
        part = fixed(GPU, 3, 0.4)
        read(f"a rate beside {word} time", table(f"frame,fps,{word} time (ms)", COUNT, FPS, part))
        read(f"frame time beside {word} time", table(f"{word} time (ms),frame time (ms)", part, D_MS))
    # Dates and times of day.
    read("times of day", table("time", CLOCKS))
    days = ["02.01.2024"] * N
    later = [f"12:{int(v) // 60000 % 60:02d}:{v / 1000 % 60:09.6f}" for v in ENDS]
    read("a date, and the time in the next column", table("date,time", days, later))
    read("a date, and the time in the next column (;)", table("Datum;Uhrzeit", days, later, delimiter=";"))
    read("PM", table("time", [f"{value} PM" for value in later]))
    noon = [f"{'12:59' if v < 3000 else '01:00'}:{(57 + v / 1000) % 60:09.6f} PM" for v in ENDS]
    read("PM from 12:59 to 1:00", table("time", noon))
    night = [
        f"{'11:59' if v < 3000 else '12:00'}:{(57 + v / 1000) % 60:09.6f} {'P' if v < 3000 else 'A'}M" for v in ENDS
    ]
    read("AM and PM over midnight", table("time", night), "clock-ran-over")
    eve = [f"{'31.12.2024 23:59' if v < 3000 else '01.01.2025 00:00'}:{(57 + v / 1000) % 60:09.6f}" for v in ENDS]
    read("day first over new year", table("when", eve))
    eve = [
        f"{'01/31/2024 11:59' if v < 3000 else '02/01/2024 12:00'}:{(57 + v / 1000) % 60:09.6f} {'AP'[v < 3000]}M"
        for v in ENDS
    ]
    read("month first, PM to AM", table("date and time", eve))
    joined = [f"02.01.2024 {value}" for value in later]
    read("day first and time in one cell", table("timestamp", joined))
    read("year first with slashes", table("timestamp", [f"2024/01/02 {value}" for value in later]))
    wrap = [str((round(v * 1000) + 2**32 - 2_000_000) % 2**32) for v in ENDS]
    read("us that wrap at 32 bits", table("t_us", wrap), "clock-ran-over")
    ticks = [str((round(v * 10_000) + 2**32 - 20_000_000) % 2**32) for v in ENDS]
    read("ticks of 100 ns that wrap at 32 bits", table("time_100ns", ticks), "clock-ran-over")
    read("unsigned 64-bit ns", table("timestamp_ns", whole(ENDS, 1e6, 2**63 + 10**12)))
    halves = table("time (s),frame time (ms)", T_S, D_MS).decode().splitlines()
    again = "\n".join([*halves[:201], halves[0], *halves[201:]]) + "\n"
    read("a second header in the middle", again.encode(), "footer")
    totals = table("frame,time (s),frame time (ms)", COUNT, T_S, D_MS, below=f"{N},{T_S[-1]},{sum(MS):.3f}\n")
    read("a line of totals", totals, "footer")
    records = [json.dumps({"frame": i, "frame_time_ms": float(D_MS[i]), "scene": "a"}) for i in COUNT]
    read("JSON lines", ("\n".join(records) + "\n").encode())
    records = [json.dumps({"t": float(T_S[i]), "gpu_temp": 60}) for i in COUNT]
    read("JSON lines of moments", ("\n".join(records) + "\n").encode(), NAMED)
    # Counters.
    gap = [i + (200 if i >= 250 else 0) for i in COUNT]
    read("200 numbers missing", table("frame,frame time (ms)", gap, D_MS), "frame-numbers")
    session = [i % 200 for i in COUNT]
    read("two sessions joined, lengths", table("frame,frame time (ms)", session, D_MS), "frame-numbers")
    mixed = sorted(COUNT, key=lambda i: i * 7919 % N)
    read("shuffled lengths", table("frame,frame time (ms)", mixed, [D_MS[i] for i in mixed]), "frame-numbers")
    twice = [i // 2 for i in range(2 * N)]
    read("rows twice", table("frame,time (s)", twice, [T_S[i] for i in twice]), "frame-numbers")
    read("rows twice, lengths", table("frame,frame time (ms)", twice, [D_MS[i] for i in twice]), "frame-numbers")
    fifth = COUNT[::5]
    read("every fifth length", table("frame,frame time (ms)", fifth, [D_MS[i] for i in fifth]), "frame-numbers",
         rate=1000.0 * len(fifth) / sum(float(D_MS[i]) for i in fifth))  # fmt: skip
    # Two surfaces, told apart by a column of any name.
    for word in (
        "window",
        "surface",
        "thread",
        "session",
        "source",
        "context",
        "eye",
        "layer",
        "output",
        "slot",
        "kanal",
    ):
        found.append(BenchLog(f"two of {word}", _streams(word), RATE, ("several-streams",)))
    single = [f"{_single(86_400.0 + v / 1000.0):.3f}" for v in ENDS]
    read("single precision at a day's uptime", table("uptime (s)", single), "rounded-timestamps")
    return found


PARTS = (
    *("draw", "physics", "script", "render", "response", "swap", "fence", "sleep", "ping", "collection", "upload"),
    *("animation", "culling", "shadow", "audio", "network", "ai", "job wait", "lock", "compile", "gc", "sync"),
    *("predicted frame", "ideal frame", "target frame", "half frame", "average frame", "frame jitter", "deviation"),
)


def _single(value: float) -> float:
    import struct

    return float(struct.unpack("f", struct.pack("f", value))[0])


def _streams(word: str) -> bytes:
    other = [7.0 + 13.31 * i for i in range(int(ENDS[-1] / 13.31))]
    rows = sorted([(v, "7") for v in ENDS] + [(v, "9") for v in other[::2]])
    return table(f"{word},time (ms)", [w for _, w in rows], [f"{v:.3f}" for v, _ in rows])


def _refused() -> list[BenchLog]:
    found = []

    def refused(name: str, content: bytes, says: str = "") -> None:
        found.append(BenchLog(name, content, None, (), says))

    for word in PARTS:
        refused(f"{word} time alone", table(f"{word} time (ms)", fixed(GPU, 3, 0.4)))
        refused(f"{word} time and a counter", table(f"frame,{word} time (ms)", COUNT, fixed(GPU, 3, 0.4)))
    refused("a rate and lengths that differ", table("frame,fps,frame time (ms)", COUNT, FPS, fixed(MS, 3, 0.3)))
    refused("two lengths that differ", table("frame time (ms),frame interval (ms)", D_MS, fixed(MS, 3, 0.3)))
    for header in ("ms per 10 frames", "frames per minute", "frame time (ms/10 frames)"):
        refused(header, table(header, whole(MS, 10.0)))
    refused("12 s a frame", table("frame time (ms)", D_US), "--unit us")
    refused("ms in seconds", table("frame time (s)", D_MS), "--unit ms")
    refused("12 us a frame", table("frame time (us)", D_MS), "--unit ms")
    second = list(range(1, 121))
    rates = [str(55 + i % 9) for i in second]
    low = [str(40 + i % 9) for i in second]
    refused("one row a second", table("time_s,avg_fps,min_fps,max_fps", second, rates, low, rates), "summaries")
    refused("one row a second, whole rates", table("time (s),fps", second, rates), "summaries")
    refused("one row a second, no unit", table("time,fps", second, rates))
    refused("one row a second, frames", table("time (s),frames rendered", second, rates), "summaries")
    refused(
        "one row a second, average length", table("elapsed (s),average frame time (ms)", second, rates), "summaries"
    )
    refused("half seconds", table("time (s),fps,low fps", [v / 2 for v in second], rates, low), "summaries")
    refused("a histogram", table("bin_ms,count", [v / 2 for v in second], rates))
    refused("a sensor log", table("time (s),power (W),temperature (C)", second, rates, low))
    fifth = COUNT[::5]
    refused("every fifth moment", table("frame,time (s)", fifth, [T_S[i] for i in fifth]), "5")
    coarse = [f"{int(v / 15.625) * 15.625:.3f}" for v in accumulate([7.0 + i % 3 for i in range(N)])]
    refused("a coarse clock", table("time (ms)", coarse), "coarse")
    refused("two sessions joined", table("frame,time (s)", [*COUNT, *COUNT], [*T_S, *T_S]), "again")
    refused("rows shuffled by hundreds", table("time (s)", [*T_S[200:], *T_S[:200]]))
    backwards = [v - (120.0 if i in (100, 200, 300) else 0.0) for i, v in enumerate(ENDS)]
    refused("time runs backwards in several places", table("time (ms)", fixed(backwards)))
    refused("the frame alone", table("frame", COUNT))
    refused("only sensors", table("power (W),clock (MHz)", fixed(MS), fixed(GPU)))
    refused("unknown names", table("alpha,beta", fixed(MS), fixed(GPU)))
    refused("ticks", table("ticks", whole(ENDS, 10_000.0)), "--unit 100ns")
    refused("two equal streams", table("window,frame time (ms)", ["ab"[i % 2] for i in COUNT], D_MS), "--stream")
    return found


MADE: list[BenchLog] = [*_read(), *_refused()]
Builder = Callable[[], bytes]
