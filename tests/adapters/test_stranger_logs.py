"""Logs as strangers' benches would name them: most are read, none is read wrong, and few are refused."""

from __future__ import annotations

import io
import json
import random
from itertools import accumulate, pairwise
from pathlib import Path

import numpy as np
import pytest

from frametime.adapters.base import ReadOptions
from frametime.adapters.reading import read_capture
from frametime.errors import ReadError
from tests.adapters.bench_logs import fixed, table, whole

N = 1500
_DICE = random.Random(5)
MS = [_DICE.gauss(9.0, 0.6) + (25.0 if _DICE.random() < 0.01 else 0.0) for _ in range(N)]
ENDS = [round(value, 6) for value in accumulate(MS)]
RATE = 1000.0 * N / sum(MS)
D, T, TS = fixed(MS), fixed(ENDS), fixed(ENDS, 6, 1e-3)
F = [f"{1000 / value:.2f}" for value in MS]
C = list(range(N))
GPU, CPU = fixed([value * 0.85 for value in MS]), fixed([value * 0.6 for value in MS])
SMOOTH = [f"{1000 * len(MS[max(0, i - 30) : i + 1]) / sum(MS[max(0, i - 30) : i + 1]):.1f}" for i in C]
TEMPERATURE = [str(60 + i % 3) for i in C]
STARTS = [0.0, *ENDS[:-1]]


def _clock(value: float, digits: int = 9) -> str:
    return f"10:{int(value) // 60000:02d}:{value / 1000 % 60:0{digits}.{digits - 3}f}"


READ = [
    ("total/cpu/gpu", table("frame_index;frame_total_ms;cpu_ms;gpu_ms", C, D, CPU, GPU, delimiter=";")),
    ("smooth fps", table("time_ms,fps,frame_time_ms", T, SMOOTH, D)),
    ("smooth fps only with time", table("time_ms,fps", T, SMOOTH)),
    ("ts only spaces", table(None, TS)),
    ("log lines", ("\n".join(f"[frame {i}] took {v} ms" for i, v in enumerate(D)) + "\n").encode()),
    ("key=value", ("\n".join(f"frame={i} dt={v}" for i, v in enumerate(D)) + "\n").encode()),
    ("tab with names spaces", table("Frame no\tFrame time in ms", C, D, delimiter="\t")),
    ("mangled unit", table("frametime[ms]", D)),
    ("ms first", table("ms_frame", D)),
    ("frame_delta_us", table("frame_delta_us", whole(MS, 1e3))),
    ("frameStart,frameEnd", table("frameStart,frameEnd", fixed(STARTS), T)),
    (
        "begin/end us",
        table("begin_us;end_us;gpu_us", whole(STARTS, 1e3), whole(ENDS, 1e3), whole(MS, 800), delimiter=";"),
    ),
    ("paused game time", table("real time (s),sim time (s)", TS, fixed([v * 0.7 for v in ENDS], 6, 1e-3))),
    ("frame,ms", table("frame,ms", C, D)),
    ("n,t", table("n,t", C, TS)),
    ("i;dt[us]", table("i;dt[us]", C, whole(MS, 1e3), delimiter=";")),
    ("value", table("value", D)),
    ("Frame Times", table("Frame Times", D)),
    ("frametimes", table("frametimes", D)),
    ("FT (ms)", table("FT (ms)", D)),
    ("present-to-present", table("present to present (ms)", D)),
    ("render latency", table("frame time (ms),render latency (ms),click latency (ms)", D, GPU, CPU)),
    ("frame id", table("frame id,timestamp", C, whole(ENDS, 1e3, 10**15))),
    ("iso dates", table("time", [f"2026-03-04T10:{int(v) // 60000:02d}:{v / 1000 % 60:09.6f}" for v in ENDS])),
    ("iso ms only", table("when,fps", [f"2026-03-04 10:{int(v) // 60000:02d}:{v / 1000 % 60:06.3f}" for v in ENDS], F)),
    (
        "german",
        table(
            "Zeit;FPS;Bildzeit",
            [t.replace(".", ",") for t in TS],
            [f.replace(".", ",") for f in F],
            [d.replace(".", ",") for d in D],
            delimiter=";",
        ),
    ),
    ("dropped", table("time (s),dropped", TS, [0] * N)),
    ("int ms stamps", table("time (ms)", whole(ENDS))),
    ("fps+index", table("frame,fps", C, F)),
    ("cum", table("frame,cumulative time (s)", C, TS)),
    ("total", table("total elapsed ms", T)),
    ("target", table("target frame time (ms),frame time (ms)", [16.667] * N, D)),
    ("vsync interval", table("frame time (ms),vsync interval (ms)", D, [16.667] * N)),
    ("mean fps in row", table("time (s),frame time (ms),avg fps", TS, D, SMOOTH)),
    ("ns dur", table("frametime_ns", whole(MS, 1e6))),
    ("100ns", table("duration_100ns", whole(MS, 1e4))),
    ("mem", table("frame,memory (MB),time (ms)", C, TEMPERATURE, T)),
    ("Rus", table("Кадр;Время кадра (мс)", C, D, delimiter=";")),
    ("Jp", table("フレーム,時間(ms)", C, T)),
    ("Cn", table("序号,帧时间(ms),帧率", C, D, F)),
    ("Kr", table("번호,프레임 시간(ms)", C, D)),
    ("Fr", table("numéro;durée (ms)", C, D, delimiter=";")),
    ("pl", table("nr;czas klatki [ms];FPS", C, D, F, delimiter=";")),
    ("it", table("numero;tempo fotogramma (ms)", C, D, delimiter=";")),
    ("pt", table("quadro;tempo do quadro (ms)", C, D, delimiter=";")),
    ("es", table("fotograma;tiempo (ms)", C, D, delimiter=";")),
    ("html-like md", ("| frame | ms |\n|---|---|\n" + "".join(f"| {i} | {v} |\n" for i, v in enumerate(D))).encode()),
    ("ini preamble", table("frame,ms", C, D, above="[settings]\nres=1920x1080\nvsync=0\n\n[data]\n")),
    ("units row", table("frame,time,cpu\n-,ms,ms", C, D, CPU)),
    ("units row2", table("Frame;Time;Frame Time\n[];[s];[ms]", C, TS, D, delimiter=";")),
    ("percent", table("frame time (ms),gpu (%)", D, TEMPERATURE)),
    ("headless t,dt us", table(None, whole(ENDS, 1e3), whole(MS, 1e3))),
    ("headless date", table(None, [f"2026-03-04 10:{int(v) // 60000:02d}:{v / 1000 % 60:09.6f}" for v in ENDS], D)),
    ("quoted", table('"frame","frame time, ms"', C, D)),
    ("seconds e", table("t", [f"{v / 1000:.9e}" for v in ENDS])),
    ("ms minus", table("time (ms)", fixed(ENDS, 3, 1, -5000))),
    ("frame time micros", table("frame time micros", whole(MS, 1e3))),
    ("frame time (msec)", table("frame time (msec)", D)),
    ("frame time (sec)", table("frame time (sec)", fixed(MS, 6, 1e-3))),
    ("hz", table("refresh rate (Hz),frame time (ms)", [144] * N, D)),
    ("clock (MHz)", table("time (ms),clock (MHz)", T, [2500] * N)),
    ("frame rate (fps)", table("frame rate (fps)", F)),
    ("Frames", table("Frames,Time (ms)", [i + 1 for i in C], T)),
    ("time since start", table("time since start (s)", TS)),
    ("time since last frame (ms)", table("time since last frame (ms)", D)),
    ("last frame (ms)", table("last frame (ms)", D)),
]
TICKS = [f"{int(v / 15.625) * 0.015625:.6f}" for v in ENDS]


def _turns(form: str, *, start_s: int = 60) -> list[str]:
    """Times of day, by a form for minutes, seconds and milliseconds."""
    ms = [start_s * 1000 + round(v) for v in ENDS]
    return [form.format(h=v // 3_600_000, m=v // 60_000 % 60, s=v // 1000 % 60, f=v % 1000) for v in ms]


MUST_BE_READ = [
    *((f"clock {name}", table(f"frame,{name}", C, fixed(ENDS, 6, k)))
      for name, k in (("seconds", 1e-3), ("Sec.", 1e-3), ("secs", 1e-3), ("millis", 1), ("micros", 1e3), ("nanos", 1e6),
                      ("seconds since start", 1e-3), ("ts", 1e-3), ("now", 1e-3), ("monotonic", 1e-3),
                      ("perf_counter", 1e-3))),
    *((name, table(f"frame;{name}", C, D, delimiter=";"))
      for name in ("cpu frame-to-frame ms", "Swap-to-swap [ms]", "interframe_ms", "フレームタイム(ms)",
                   "帧生成时间(ms)", "beeldtijd (ms)", "kare süresi (ms)", "bildtid (ms)", "bildrutetid (ms)",
                   "képkockaidő (ms)", "ruutuaika (ms)")),
    ("a length named like a clock", table("frame,tick_ms", C, D)),
    ("elapsed of a frame", table("elapsed (ms)", D)),
    ("a total of parts", table("game thread ms,gpu0 ms,total_ms", CPU, GPU, D)),
    ("rates in cells", table("frame,rate", C, [f"{value} fps" for value in F])),
    ("frequency (fps)", table("n,frequency (fps)", C, F)),
    ("a coarse clock beside frame times", table("time_s,frame_ms", TICKS, D)),
    ("totals with words and a share", table("frame,frametime_ms", C, D, below=f"total,{sum(MS):.2f}\n99%,33.1\n")),
    ("a date in brackets", table("timestamp", _turns("[2026-03-04 10:{m:02d}:{s:02d}.{f:03d}]"))),
    ("a date with a dash before the time", table("timestamp", _turns("20260304-10:{m:02d}:{s:02d}.{f:03d}"))),
    ("a year of two digits", table("timestamp", _turns("04.03.26 10:{m:02d}:{s:02d}.{f:03d}"))),
    ("minutes that begin again", table("time", _turns("{m:02d}:{s:02d}.{f:03d}", start_s=3594))),
    ("milliseconds of each second", table("clock,ms", _turns("10:{m:02d}:{s:02d}"), _turns("{f}"))),
    ("times of day under another name", table("position;no", _turns("{m:02d}:{s:02d}.{f:03d}"), C, delimiter=";")),
    ("a frame time beyond any number in most rows", table("time_s,frame_ms", TS, ["1e999"] * N)),
    ("frames that wait", table("queued_frames,frame_ms", [3 + i % 2 for i in C], D)),
    ("numbers of frames beyond those that a float tells apart", table("frames,ms", [2**60 + i for i in C], D)),
    ("all frames of the run in each row", table("frames,frame_ms", [N] * N, D)),
    *((f"{word!r} in the first frame below {name}", table(name, *columns))
      for word in ("#VALUE!", "first", "n/d")
      for name, columns in (("frame,gpu_ms,frame_ms", (C, GPU, [word, *D[1:]])),
                            ("gpu_us,frame_ms", (C, [word, *D[1:]])),
                            ("frame,frame_us,note", (C, [word, *whole(MS, 1e3)[1:]], C)))),
    *((f"{word!r} in the time of a frame", table("frame,frame_ms,shown", C, [*D[:700], word, *D[701:]], [1] * N))
      for word in ("dropped", "No", "T", "gap", "frame", "time", "fps", "index", "ms")),
    ("'dropped' in a single column", table("frame_ms", [*D[:700], "dropped", *D[701:]])),
    *((f"a list of JSON objects, {name}", json.dumps([{"frame": i, "frame_ms": ms, "shown": True, "parts": [1, 2]}
                                                      for i, ms in enumerate(MS)], indent=indent).encode())
      for name, indent in (("one line", None), ("a line each member", 1))),
    ("names with spaces above columns of a fixed width",
     ("   Frame   Frame Time (ms)     Elapsed (s)\n"
      + "".join(f"{i:8d}{ms:18.4f}{end / 1e3:16.5f}\n" for i, (ms, end) in enumerate(zip(MS, ENDS, strict=True)))
      ).encode()),
]  # fmt: skip
MINUS = "\u2212"
"""The minus of typesetters, which spreadsheets and some locales write."""
BEFORE = fixed(ENDS, 3, 1, -5000)
MUST_BE_READ += [
    *((f"a typeset minus: {name}", table(name, *([cell.replace("-", MINUS) for cell in cells] for cells in columns)))
      for name, columns in (("time (ms)", (BEFORE,)), ("frame,time (ms),note", ([*map(str, C)], BEFORE, TEMPERATURE)),
                            ("time (s)", ([f"{v / 1000:.9e}" for v in ENDS],)),
                            ("frame,frametime (s)", ([*map(str, C)], [f"{v / 1000:.9e}" for v in MS])))),
    ("a typeset minus and no names", table(None, [cell.replace("-", MINUS) for cell in BEFORE])),
    *((f"{word!r} in the first row of a single column, {name}", table(name, [word, *D[1:]]))
      for word in ("dropped", "n/a", "#VALUE!", "skip", "err", "\u2013")
      for name in ("frametime", "frame time (ms)", "Bildzeit (ms)", None)
      if name or word not in ("skip", "err")),
    *((f"{word!r} in a single column", table("frametime", [*D[:9], word, *D[10:]])) for word in ("n/a", "NA")),
    *((f"rates called {name}", table(f"{index}{name}", *columns))
      for name in ("frame rate [Hz]", "rate (1/s)", "rate [Hz]", "(frames/s)", "rate_hz", "Hz", "1/s",
                   "Rate (per second)")
      for index, columns in (("", (F,)), ("n,", (C, F)))),
]  # fmt: skip
STAMPS_S = [1_790_000_000 + int(value // 1000) for value in ENDS]
NONE = [""] * N
MUST_BE_READ += [
    ("UTF-16 with tabs", table("Frame\tms", C, D, delimiter="\t").decode().encode("utf-16")),
    ("padded cells between bars", ("| n | dt ms |\n" + "".join(f"| {i:5d} | {v:>8} |\n" for i, v in enumerate(D))
                                   ).encode()),
    ("names behind a mark of comments, parted by spaces", table("# frame ms", C, D, delimiter=" ")),
    ("JSON lines in seconds", "".join(json.dumps({"i": i, "dt": v / 1e3}) + "\n" for i, v in enumerate(MS)).encode()),
    ("lines of a program", "".join(f"{t} INFO render: frame {i} took {d} ms\n"
                                   for i, (t, d) in enumerate(zip(TS, D, strict=True))).encode()),
    *((name, table(name, *columns, delimiter=";" if ";" in name else ","))
      for name, columns in (
          ("frame;ms;", (C, D, NONE)), ("fps,frametime", ([f"{1000 / v:.0f}" for v in MS], D)),
          ("ms;load", (D, [f"{50 + i % 9} %" for i in C])),
          ("frame;Dauer (us)", (C, [f"{round(v * 1000):,}".replace(",", "'") for v in MS])),
          ("image;durée (µs)", (C, [f"{round(v * 1000):,}".replace(",", "\u202f") for v in MS])),
          ("start_us,dur_us", (whole(STARTS, 1e3), whole(MS, 1e3))), ("previous,now", (fixed(STARTS, 6, 1e-3), TS)),
          ("ms,avg_ms", (D, [f"{1000 / float(v):.3f}" for v in SMOOTH])), ("sample,ms", (C, D)),
          ("cpu_start_ms,present_ms", (fixed([v - 12 for v in ENDS]), T)), ("number,ms", ([hex(i) for i in C], D)),
          ("id,ms", ([f"{i:08x}-aa" for i in C], D)), ("level,ms", (["forest"] * N, D)),
          ("ms,vsync,hdr", (D, ["true"] * N, ["false"] * N)), ("epoch,ms", (STAMPS_S, fixed([v % 1000 for v in ENDS]))),
          ("sec,usec", (STAMPS_S, [int(v * 1000) % 10**6 for v in ENDS])),
          ("sec,nsec", (STAMPS_S, [int(v * 1e6) % 10**9 for v in ENDS])),
          ("zeit", ([f"{int(v // 60000)}:{v / 1000 % 60:06.3f}" for v in ENDS],)),
          ("minutes,seconds", ([int(v // 60000) for v in ENDS], [f"{v / 1000 % 60:.6f}" for v in ENDS])),
          ("t [s];f [1/s]", (TS, F)), ("period_us", (whole(MS, 1e3),)), ("Periode (ms)", (D,)), ("cadence (fps)", (F,)),
          ("frame,vsyncs,ms", (C, [1 + i % 2 for i in C], D)), ("frame;Zeit", (C, [v + " ms" for v in D])),
          ("frame;Dauer", (C, [v.replace(".", ",") + "ms" for v in D])),
          ("frame,dur", (C, [f"{v / 1e3:.6f}s" for v in MS])),
          ("ticks (100 ns)", (whole(ENDS, 1e4),)), ("delta,cumulative", (D, T)), ("gpu;cpu;frame", (GPU, CPU, D)),
          ("gpu frame (ms),frame (ms)", (GPU, D)), ("ms,stutter", (D, [int(v > 15) for v in MS])),
          ("latency_ms,ft_ms", (GPU, D)), ("present_to_display_ms,present_to_present_ms", (GPU, D)),
          ("beeld;duur (ms)", (C, D)), ("καρέ;χρόνος (ms)", (C, D)), ("snimek;doba (ms)", (C, D)),
          ("ruutu;aika (ms)", (C, T)),
          ("képkocka;idő (ms)", (C, D)), ("missed,ms", ([0] * N, D)),
          ("ms,state", (D, ["shown" if i % 50 else "dropped" for i in C])),
          ("frame ms,over budget ms", (D, fixed([v - 16.667 for v in MS]))),
          ("frame ms,jitter ms", (D, fixed([b - a for a, b in pairwise([MS[0], *MS])]))),
      )),
    *((name, table("frame,ms", C, cells)) for name, cells in (("a plus before each", ["+" + v for v in D]),
                                                           ("zeros before each", [f"{v:010.3f}" for v in MS]))),
    ("a blank line after each", table("frame,ms", C, D).replace(b"\n", b"\r\n\r\n")),
    ("the names again each hundred rows",
     b"".join(table("frame,ms", C[k:k + 100], D[k:k + 100]) for k in range(0, N, 100))),
    ("quoted numbers with commas", table('"Nr.";"Bildzeit (ms)"', [f'"{i}"' for i in C],
                                         [f'"{v}"'.replace(".", ",") for v in D], delimiter=";")),
]  # fmt: skip
MUST_BE_READ += [
    (name, table(f'"{name}"' if "," in name else name, *columns, delimiter=";"))
    for columns, names in (
        ((D,), ("varaktighet (ms)", "Tid mellan bilder (ms)", "tijd tussen beelden (ms)", "süre (ms)",
                "kare süresi (ms)", "doba trvání (ms)", "délka snímku (ms)", "फ्रेम समय (ms)", "फ़्रेम समय (मिलीसेकंड)",
                "अवधि (ms)",
                "زمن الإطار (مللي ثانية)", "مدة الإطار (ms)", "Час кадру (мс)", "тривалість (мс)", "час кадру, мс")),
        ((C, D), ("फ्रेम;फ्रेम समय (ms)", "إطار;المدة (ms)", "Кадр;Тривалість кадру (мс)",
                   "Snímek;Doba snímku (ms)")),
        ((TS,), ("Zaman (sn)", "geçen süre (s)", "förfluten tid (sekunder)", "समय (सेकंड)", "الوقت (ث)",
                 "Мітка часу (с)")),
        ((F,), ("beeldsnelheid", "saniyedeki kare sayısı", "kare hızı", "Kare/sn", "snímků za sekundu",
                "snímková frekvence", "प्रति सेकंड फ्रेम", "फ्रेम दर", "إطارات في الثانية", "معدل الإطارات",
                "кадрів за секунду", "частота кадрів")),
    )
    for name in names
]  # fmt: skip
DIGITS = [{48 + i: ord(zero) + i for i in range(10)} for zero in "٠۰०０"]
MUST_BE_READ += [
    *((f"digits {digits[48]:x}", table("frame,time_ms,frame_ms", *([str(cell).translate(digits) for cell in cells]
                                                                   for cells in (C, T, D)))) for digits in DIGITS),
    ("an Arabic decimal mark", table("frame,ms", C, [v.translate(DIGITS[0] | {ord("."): "٫"}) for v in D])),
    ("a few digits of another script", table("frame,ms", C, [v.translate({48: "٠", 57: "٩"}) for v in D])),
    *((f"{name}, each cell with its unit", table("frame,took", C, cells)) for name, cells in (
        ("long ones in s", [f"{v / 1e3:.6f} s" if v > 10 else f"{v:.3f} ms" for v in MS]),
        ("long ones in ms", [f"{v:.3f}ms" if v > 9 else f"{v * 1e3:.0f}µs" for v in MS]),
        ("a few without", [f"{v / 1e3:.6f} s" if v > 10 else f"{v:.3f}{' ms' * (v > 8)}" for v in MS]))),
]  # fmt: skip
MUST_BE_READ += [
    *((name, table(name, D)) for name in ("frame time ms @60Hz", "frametime (ms) 144 Hz", "frame_ms_60fps", "Δt (ms)")),
    *((name, table(name, C, D, delimiter=";")) for name in ("frame;Δ [ms]", "n;τ (ms)", "frame;dt / ms")),
    ("numbers as spreadsheets keep them", table("frame,frame_ms", C, [f'="{value}"' for value in D])),
    ("numbers of something else that go up by 2", table("vsync_id,present_ns", range(0, 2 * N, 2), whole(ENDS, 1e6))),
    ("counts of 100 ns since 1601", table("filetime", whole(ENDS, 1e4, 134 * 10**15))),
    ("where frames were meant to end", table("intended_present_ns,actual_present_ns", whole([9.9 * i for i in C], 1e6),
                                             whole(ENDS, 1e6))),
]  # fmt: skip
SUMMARY = f"average fps,111.2\n1% low,77.1\nlowest,31\nframes,{N}\n"
PAIRS = [[i, float(v)] for i, v in enumerate(D)]
MUST_BE_READ += [
    *((f"JSON: {name}", json.dumps(value, indent=indent).encode()) for indent in (None, 1) for name, value in (
        ("lists in an object", {"run": 3, "frame": C, "frame_ms": [float(v) for v in D]}),
        ("the lists a level down", {"meta": {"scene": "lake"}, "data": {"time_ms": [float(v) for v in T], "n": C}}),
        ("objects in an object", {"title": "run", "frames": [{"n": i, "ms": v} for i, v in PAIRS]}),
        ("a list of lists", PAIRS), ("a list of lists with names in the first", [["frame", "ms"], *PAIRS]),
        ("a list of numbers", [float(v) for v in D]),
        ("one list in an object", {"frame_times_ms": [float(v) for v in D]}),
    )),
    *((f"JSON in lines: {name}", "".join(json.dumps(row) + end for row in rows).encode()) for name, rows, end in (
        ("lists below names", [["frame", "ms"], *PAIRS], "\n"), ("objects in objects", [{"frame": {"n": i, "ms": v}}
                                                                                         for i, v in PAIRS], "\n"),
        ("commas between them", [{"n": i, "ms": v} for i, v in PAIRS], ",\n"),
    )),
    *((f"{mark} between the cells{' and no names' * (not names)}", table(names and f"frame{mark}frame_ms{mark}gpu_ms",
                                                                        *columns, delimiter=mark))
      for mark in "^~" for names, columns in ((True, (C, D, GPU)), (None, (C, T, D)))),
    *((f"quotes around whole rows, {name}", "".join(f'"{row}"\n' for row in rows).encode()) for name, rows in (
        ("commas", ["frame,ms", *(f"{i},{v}" for i, v in enumerate(D))]),
        ("semicolons", ["frame;ms", *(f"{i};{v.replace('.', ',')}" for i, v in enumerate(D))]),
        ("quotes within", ['frame,""ms""', *(f'{i},""{v}""' for i, v in enumerate(D))]),
    )),
    *((f"a summary above the frames, {name}", table(names, *columns, above=above)) for name, names, columns, above in (
        ("parted by a line", "frame,frame time (ms)", (C, D), SUMMARY + "\n"),
        ("not parted", "frame,frame time (ms)", (C, D), SUMMARY),
        ("a line a percentile", "frame,time,ms", (C, T, D), "".join(f"pct,{p},{p / 20}\n" for p in range(0, 101, 5))),
    )),
    *((f"a time of day as {form}", table("n;time", C, _turns(form), delimiter=";")) for form in (
        "{h:02d}:{m:02d}:{s:02d}:{f:03d}", "{m:02d}:{s:02d}:{f:03d}", "2026-11-30 12.{m:02d}.{s:02d}.{f:03d}",
        "30 Nov 2026 12:{m:02d}:{s:02d}.{f:03d}", "Nov. 30, 2026 12:{m:02d}:{s:02d}.{f:03d} PM",
        "20261130-12{m:02d}{s:02d}.{f:03d}", "2026113012{m:02d}{s:02d}.{f:03d}",
    )),
]  # fmt: skip
SHORT = [(ms, table("time_ms", fixed([0.0, *accumulate(ms)]))) for ms in ([15.9, 18.9], [15.9, 18.9, 16.2, 17.0])] + [
    (ms, table("time_ms,frametime_ms", fixed([*accumulate(ms)]), fixed(ms)))
    for ms in ([15.9, 18.9], [15.9, 18.9, 16.2])
]
HUNDRED = fixed([_DICE.gauss(100.0, 2.0) for _ in range(150)])
ABOUT_TEN = [_DICE.randint(9, 13) for _ in range(150)]
COMMA = [value.replace(".", ",") for value in fixed(MS, 4)]
TWO = [("ab"[i * 7 % 10 > 6], f"{value * (2.4 if i * 7 % 10 > 6 else 1):.3f}") for i, value in enumerate(MS)]
REFUSED = [
    ("two programs without a clock", table("emitter,frametime_ms", *zip(*TWO, strict=True))),
    ("rates without a header", table(None, F)),
    *(
        (f"counts of frames: {name}", table(name, *columns))
        for name, columns in (
            ("frames,ms", ([10] * 150, HUNDRED)),
            ("interval_ms,frames", (HUNDRED, ABOUT_TEN)),
            ("duration_ms,frames_rendered", (HUNDRED, ABOUT_TEN)),
            ("elapsed_ms,count", (fixed([*accumulate(map(float, HUNDRED))]), ABOUT_TEN)),
        )
    ),
    *(
        (
            f"rows of two kinds, {a} and {b}",
            table(
                "type,ms",
                *zip(
                    *(
                        (a if i % 2 else b, v)
                        for i, v in enumerate(fixed([v * (1 if i % 2 else 0.1) for i, v in enumerate(MS)]))
                    ),
                    strict=True,
                ),
            ),
        )
        for a, b in (("frame", "input"), ("F", "I"), ("1", "2"))
    ),
    *(
        (f"decimal commas behind commas: {name}", table(name, *(cells for cells in columns if cells)))
        for name, columns in (
            ("frame,ms", (C, COMMA)),
            ("frame_ms,shown", (COMMA, [1] * N)),
            ("frame,frametime_ms,gpu_ms", (C, D, COMMA)),
        )
    ),
    ("what is called latency, with a word first", table("frame,latency_ms", C, ["first", *D[1:]])),
    ("frames per lap", table("кадров за круг", F)),
    *((f"{name}, a statistic", table(name, F)) for name in ("en düşük kare hızı", "Genomsnittlig bildhastighet")),
    ("two times", table("wall time,game time", TS, fixed([v * 0.5 for v in ENDS], 6, 1e-3))),
    ("avg only", table("avg frametime (ms)", D)),
    ("p99", table("frame time p99 (ms)", D)),
    ("input lag", table("input lag (ms)", GPU)),
    ("queue", table("queue time (ms)", GPU)),
    ("work of the card alone", table("card work (ms)", GPU)),
    ("cpu time alone", table("cpu frame time (ms)", GPU)),
    ("a clock that runs down", table("remaining (s)", fixed([100_000 - v for v in ENDS], 6, 1e-3))),
    ("a budget and what is used of it", table("budget ms,used ms", ["16.667"] * N, D)),
    ("what frames vary by", table("jitter ms", fixed([abs(b - a) for a, b in pairwise([MS[0], *MS])]))),
    ("two columns that say nothing", table("x,y", TS, D)),
    ("nothing but negative lengths", table(None, [MINUS + cell for cell in D])),
    *((f"a {name} alone", table(name, F)) for name in ("refresh rate (Hz)", "polling rate (1/s)", "clock (Hz)")),
]
SUMMARIES = [
    ("Zeit (s)", ("Bilder", "Anzahl Bilder", "Bildanzahl", "gerenderte Bilder", "Bildzahl", "Bilderzahl")),
    ("temps (s)", ("images", "nombre d'images", "images rendues")),
    ("tiempo (s)", ("fotogramas", "imágenes", "cuadros", "número de fotogramas")),
    ("tempo (s)", ("quadros", "imagens", "fotogrammi", "número de quadros")),
    ("czas (s)", ("klatki", "liczba klatek")),
    ("tijd (s)", ("beelden", "aantal beelden")),
    ("время (с)", ("кадры", "число кадров", "количество кадров")),
    ("時間（秒）", ("フレーム数", "幀數")),
    ("saniye", ("kare sayısı",)),
    ("时间（秒）", ("帧数",)),
    ("시간 (초)", ("프레임 수", "프레임수")),
    ("time (s)", ("frames this second", "rendered", "presented", "frames in second", "swaps", "presents")),
]


def rate_of(content: bytes) -> float | None:
    """The average rate that is read; ``None`` where the log is refused."""
    try:
        capture = read_capture(io.BytesIO(content))
    except ReadError:
        return None
    stamps = capture.frames["timestamp_ns"].to_pylist()
    return 1e9 * capture.n_frames / (stamps[-1] - stamps[0])


@pytest.mark.parametrize(("name", "content"), READ, ids=[name for name, _ in READ])
def test_right_or_refused(name: str, content: bytes) -> None:
    rate = rate_of(content)
    assert rate is None or rate == pytest.approx(RATE, rel=0.005), name


@pytest.mark.parametrize(("name", "content"), MUST_BE_READ, ids=[name for name, _ in MUST_BE_READ])
def test_is_read(name: str, content: bytes) -> None:
    assert rate_of(content) == pytest.approx(RATE, rel=0.005), name


@pytest.mark.parametrize("name", ["Frames,Time (ms)", "frames,frame_ms", "frame,time_ms"])
def test_a_slow_run_with_numbered_frames_is_no_log_of_summaries(name: str) -> None:
    slow = [104.0 + i % 7 for i in range(300)]
    cells = fixed(slow) if "frame_ms" in name else fixed([*accumulate(slow)])
    assert rate_of(table(name, range(1, 301), cells)) == pytest.approx(1000.0 * 300 / sum(slow), rel=0.005)


def test_a_log_whose_rows_count_frames_is_read_by_the_command_that_it_proposes() -> None:
    content = table("frames,ms", ABOUT_TEN, HUNDRED)
    with pytest.raises(ReadError, match=r"summaries;.* each row is a frame,  .*--time-column ms --unit ms --kind fr"):
        read_capture(io.BytesIO(content))
    assert read_capture(io.BytesIO(content), options=ReadOptions(time_column="ms")).n_frames == 150


def test_rows_below_the_names_that_hold_a_word_are_rejected_by_their_lines() -> None:
    capture = read_capture(io.BytesIO(table("frame,gpu_ms,frame_ms", C, GPU, ["#VALUE!", "wait", *D[2:]])))
    rejected = [(row.line, row.reason) for row in capture.provenance.rejected_rows]
    assert rejected == [(2, "'#VALUE!' is not a number"), (3, "'wait' is not a number")]
    assert capture.n_frames == N - 2


def test_settings_above_rows_without_names_are_no_rows() -> None:
    capture = read_capture(io.BytesIO(b"width,1920\nheight,1080\n" + table(None, TS, D)))
    assert (capture.n_frames, capture.provenance.rows_rejected) == (N, 0)


def test_ticks_are_told_as_such_with_each_length_that_makes_frames() -> None:
    ways = r"--unit us .* \(10\.17 fps .*  or  .*--unit 100ns .* \(101\.7 fps"
    with pytest.raises(ReadError, match=rf"counts ticks of unknown length; settle it with  .*{ways}"):
        read_capture(io.BytesIO(table("qpc", whole(ENDS, 1e4, 10**12))))


def test_a_comment_among_the_rows_is_no_frame_that_is_gone() -> None:
    lines = table("frame,frame_ms", C, D).splitlines(keepends=True)
    lines[900:900] = [b"# loading screen\n", b"  // second lap\n"]
    capture = read_capture(io.BytesIO(b"".join(lines)))
    assert (capture.n_frames, capture.caveats) == (N, ())
    lines[900] = b"loading screen\n"
    capture = read_capture(io.BytesIO(b"".join(lines)))
    assert [caveat.code for caveat in capture.caveats] == ["rejected-rows", "frames-left-out"]


@pytest.mark.parametrize("lost", [4, 40, 70])
def test_a_list_of_json_objects_that_is_cut_off_is_read_without_what_is_left_of_the_last(lost: int) -> None:
    content = dict(MUST_BE_READ)["a list of JSON objects, a line each member"]
    capture = read_capture(io.BytesIO(content[:-lost]))
    assert rate_of(content[:-lost]) == pytest.approx(RATE, rel=0.005)
    assert (capture.n_frames, [caveat.code for caveat in capture.caveats]) == (N - 1, ["cut-last-line"])


@pytest.mark.parametrize("form", ["[{0},{0}]", "{0}\n{0}\n"])
def test_json_that_nests_too_deeply_is_refused(form: str) -> None:
    deep = '{"frame_ms":' + "[" * 100_000 + "]" * 100_000 + "}"
    assert rate_of(form.format(deep).encode()) is None


def test_a_list_that_memory_may_not_hold_is_refused_with_what_helps(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("frametime.adapters.text.text_source._MOST_LISTED", 1 << 20)
    lines = ",\n".join('{"frame_ms": 16.5, "note": "' + "x" * 900 + '"}' for _ in range(1200))
    with pytest.raises(ReadError, match="more than 1 MiB; write delimited text"):
        read_capture(io.BytesIO(f"[{lines}]".encode()))


@pytest.mark.parametrize(("ms", "content"), SHORT)
def test_a_few_frames_are_read(ms: list[float], content: bytes) -> None:
    stamps = read_capture(io.BytesIO(content)).frames["timestamp_ns"].to_pylist()
    assert [(b - a) / 1e6 for a, b in pairwise(stamps)] == pytest.approx(ms)


def test_the_commands_for_two_programs_without_a_clock_read_one_and_all() -> None:
    content = dict(REFUSED)["two programs without a clock"]
    with pytest.raises(ReadError, match=r"--stream a .*--stream b .*--stream '\*'"):
        read_capture(io.BytesIO(content))
    for word, expected in (("a", {"a"}), ("b", {"b"}), ("*", {"a", "b"})):
        capture = read_capture(io.BytesIO(content), options=ReadOptions(stream=word))
        spans = [float(length) for which, length in TWO if which in expected]
        assert capture.n_frames == len(spans)
        stamps = capture.frames["timestamp_ns"].to_pylist()
        assert stamps[-1] - stamps[0] == pytest.approx(1e6 * sum(spans), rel=1e-9), word
        assert "stream-not-named" not in {caveat.code for caveat in capture.caveats}


@pytest.mark.parametrize(("name", "content"), REFUSED, ids=[name for name, _ in REFUSED])
def test_what_tells_of_no_frames_is_refused(name: str, content: bytes) -> None:
    assert rate_of(content) is None, name


@pytest.mark.parametrize(("time", "count"), [(time, count) for time, counts in SUMMARIES for count in counts])
def test_a_row_a_second_with_a_count_of_frames_is_refused_in_any_language(time: str, count: str) -> None:
    content = table(f"{time};{count}", range(1, 121), [54 + i * 7 % 10 for i in range(120)], delimiter=";")
    with pytest.raises(ReadError, match="log of summaries"):
        read_capture(io.BytesIO(content))


def test_a_negative_length_with_a_typeset_minus_is_told_as_one() -> None:
    capture = read_capture(io.BytesIO(table(None, [*D[:3], MINUS + D[3], *D[4:]])))
    told = f"the frame time is negative (-{D[3]} ms)"
    assert [(row.line, row.reason) for row in capture.provenance.rejected_rows] == [(4, told)]


def test_a_word_in_the_first_row_of_a_single_column_is_a_row_that_is_gone() -> None:
    capture = read_capture(io.BytesIO(table("frametime (ms)", ["dropped", *D[1:]])))
    assert [(row.line, row.reason) for row in capture.provenance.rejected_rows] == [(2, "'dropped' is not a number")]


def test_a_bare_rate_is_told_as_a_guess_and_gives_way_to_a_clock() -> None:
    capture = read_capture(io.BytesIO(table("n,rate (1/s)", C, F)))
    assert "is read as rates" in capture.caveats[0].message
    sampled = read_capture(io.BytesIO(table("time (s),rate (1/s)", TS, [1000] * N)))
    assert (sampled.n_frames, sampled.caveats) == (N - 1, ())


def _events(kind: str, share: float, *, other: str = "input", name: str = "event") -> bytes:
    """Moments of frames, and among them events of another kind at any time."""
    dice = random.Random(3)
    others = [(dice.uniform(0, ENDS[-1]), other) for _ in range(int(N * share))]
    rows = sorted([*((end, kind) for end in ENDS), *others])
    return table(f"time (s),{name}", fixed([at for at, _ in rows], 6, 1e-3), [word for _, word in rows])


@pytest.mark.parametrize("share", [0.05, 0.1, 0.3, 0.9])
def test_events_of_another_kind_among_the_frames_are_none_of_them(share: float) -> None:
    capture = read_capture(io.BytesIO(_events("present", share)))
    assert capture.n_frames == N - 1
    assert "several-streams" in [caveat.code for caveat in capture.caveats]
    with pytest.raises(ReadError, match=r"--stream alpha .*--stream beta"):
        read_capture(io.BytesIO(_events("alpha", max(share, 0.1), other="beta")))


def test_more_events_than_frames_are_refused_with_the_commands() -> None:
    content = _events("present", 3.0)
    with pytest.raises(ReadError, match=r"--stream input  or  .*--stream present  or .*--stream '\*'"):
        read_capture(io.BytesIO(content))
    assert read_capture(io.BytesIO(content), options=ReadOptions(stream="present")).n_frames == N - 1


@pytest.mark.parametrize("before", [3.0, 4.5])
def test_of_both_ends_of_a_frame_in_rows_of_their_own_the_end_is_read(before: float) -> None:
    rows = sorted([*((end, "end") for end in ENDS), *((end - before, "begin") for end in ENDS)])
    content = table("time (s),event", fixed([at for at, _ in rows], 6, 1e-3), [word for _, word in rows])
    capture = read_capture(io.BytesIO(content))
    assert capture.n_frames == N - 1
    steps = np.diff(capture.frames["timestamp_ns"].to_numpy())
    assert np.abs(steps - np.array(MS[1:]) * 1e6).max() <= 1000
    assert ["'end' was read" in caveat.message for caveat in capture.caveats] == [True]


@pytest.mark.parametrize(
    ("name", "cells"),
    [
        ("scene", [("menu", "city", "race")[i * 3 // N] for i in C]),
        ("state", ["late" if i % 9 == 4 else "ok" for i in C]),
        ("state", ["late" if value > 9.6 else "ok" for value in MS]),
        ("queue", [(1, 2, 3)[i * 7 % 11 % 3] for i in C]),
        ("phase", ["start", *["running"] * (N - 2), "end"]),
        ("kind", ["key" if i % 5 == 0 else "delta" for i in C]),
    ],
)
def test_what_a_column_says_of_each_frame_parts_no_log(name: str, cells: list[str]) -> None:
    assert read_capture(io.BytesIO(table(f"time (s),{name}", TS, cells))).n_frames == N - 1


@pytest.mark.parametrize(
    ("names", "columns", "below", "codes"),
    [
        ("frame,frame_ms", (C, D), "bin,count\n" + "".join(f"{i},{i * i % 37}\n" for i in range(40)), ["second-table"]),
        ("frame,frame_ms", (C, D), "\nbin,count\n0,3\n1,9\n2,4\n", ["second-table"]),
        ("frame,time_s,frame_ms", (C, TS, D), "part,reading,limit\n" + "1,62,90\n" * 300, ["second-table"]),
        ("time_ms,frame_ms", (T, D), "seconds,watts\n" + "".join(f"{i},203\n" for i in range(250)), ["second-table"]),
        ("frame_ms", (D,), "temperature\n" + "60.5\n" * 60, ["second-table"]),
        ("frame_ms,gpu_ms", (D, GPU), "percentile,value\n50,9.0\n90,10.1\n", ["second-table"]),
        (
            "frame,time_ms,frame_ms",
            (C, T, D),
            "share,value\n" + "".join(f"{i},1\n" for i in range(99)),
            ["second-table"],
        ),
        ("frame,frame_ms", (C, D), "run,avg,low,max\n1,90,60,120\n", ["surplus-cells", "second-table"]),
    ],
)
def test_a_second_table_of_any_names_ends_the_frames(
    names: str, columns: tuple[list[str], ...], below: str, codes: list[str]
) -> None:
    capture = read_capture(io.BytesIO(table(names, *columns, below=below)))
    assert (capture.n_frames, [caveat.code for caveat in capture.caveats]) == (N, codes)


SLOW_MS = [value * (1 if i < 700 else 4) for i, value in enumerate(MS)]
SLOWED, SLOWED_TS = fixed(SLOW_MS), fixed([*accumulate(SLOW_MS)], 6, 1e-3)


@pytest.mark.parametrize(
    ("names", "columns", "word"),
    [
        ("frame,frame_ms", (C, D), "skipped,skipped"),
        ("frame_ms", (D,), "loading"),
        ("frame_ms,gpu_ms", (D, GPU), "menu,menu"),
        ("time_s,frame_ms", (SLOWED_TS, SLOWED), "scene,two"),
    ],
)
def test_words_between_rows_that_go_on_end_no_table(names: str, columns: tuple[list[str], ...], word: str) -> None:
    lines = table(names, *columns).decode().splitlines()
    for at in (3, 30, 701, N - 5):
        capture = read_capture(io.BytesIO("\n".join([*lines[:at], word, *lines[at:], ""]).encode()))
        assert (capture.n_frames, capture.provenance.rows_rejected) == (N, 1), at


@pytest.mark.parametrize(("usual", "other"), [("present", "input"), ("frame", "click")])
def test_events_that_come_late_are_no_frames(usual: str, other: str) -> None:
    ends = [(value, usual) for value in ENDS]
    rows = sorted([*ends, *((value + 1.7, other) for i, value in enumerate(ENDS) if i > 200 and i % 3 == 0)])
    content = table("time (s),event", fixed([at for at, _ in rows], 6, 1e-3), [word for _, word in rows])
    capture = read_capture(io.BytesIO(content))
    assert (capture.n_frames, [caveat.code for caveat in capture.caveats]) == (N - 1, ["several-streams"])


def test_at_most_one_in_eight_is_refused() -> None:
    refused = [name for name, content in READ if rate_of(content) is None]
    assert len(refused) * 8 <= len(READ), refused


def test_rows_that_all_have_more_cells_than_those_below_them_are_read_by_the_cells_that_count() -> None:
    two = "".join(f"{0.15 + 0.0166 * i:.4f},16.600\n" for i in range(19))
    content = "FrameTime\n" + "17.2 ms\n" * 10 + f"15.974147\n{two}" + "16.1 ms\n" * 24
    capture = read_capture(io.BytesIO(content.encode()))
    assert capture.n_frames == 18
    assert [caveat.code for caveat in capture.caveats] == ["reading-inferred", "footer", "surplus-cells"]


def test_a_time_that_another_stream_lacks_is_none_that_is_missing_here() -> None:
    rows = [f"a,{end / 1e3:.6f},{ms:.3f}\n" for end, ms in zip(ENDS, MS, strict=True)]
    rows[700:700] = ["b,,16.6\n"]
    capture = read_capture(io.BytesIO(("app,time (s),frame time (ms)\n" + "".join(rows)).encode()))
    assert capture.n_frames == N
    assert [caveat.code for caveat in capture.caveats] == ["several-streams"]


@pytest.mark.parametrize(("usual", "rare"), [("no", "yes"), ("ok", "slow")])
def test_a_column_that_marks_long_frames_is_no_column_of_events(tmp_path: Path, usual: str, rare: str) -> None:
    """Between two long frames a short one takes little, so that the long ones alone seem to go on evenly."""
    rng = np.random.default_rng(20)
    is_long = rng.random(800) < 0.4
    stamps_ms = np.cumsum(np.where(is_long, 40.0, 8.0) * rng.gamma(25.0, 0.04, 800))
    rows = (f"{stamp:.3f},{rare if each else usual}" for stamp, each in zip(stamps_ms, is_long, strict=True))
    path = tmp_path / "log.csv"
    path.write_text("\n".join(("time_ms,late", *rows)) + "\n")
    assert read_capture(path).n_frames == 799


def test_a_counter_of_fourteen_digits_is_no_date() -> None:
    """Microseconds of a clock that begins like a date: few of such numbers are dates."""
    assert rate_of(table("time_us", whole(ENDS, 1e3, 20261130120000))) == pytest.approx(RATE, rel=0.005)


@pytest.mark.parametrize("at", [N // 2, 3 * N // 4])
def test_a_unit_that_changes_within_the_log_is_refused(at: int) -> None:
    cells = [f"{value / 1000:.6f}" if i >= at else f"{value:.3f}" for i, value in enumerate(MS)]
    with pytest.raises(ReadError, match=f"line {at + 2}: usual frames last .* from here on; if the unit"):
        read_capture(io.BytesIO(table("frame_ms", cells)))
    # In other rows no more than in those that a choice rests on.
    with pytest.raises(ReadError, match=r"usual frames last .* in the first rows, and .* in the last"):
        read_capture(io.BytesIO(table("frame time", cells)))


def test_a_decimal_mark_that_changes_within_the_log_is_refused() -> None:
    """Its numbers were read as thousands from there on, with a caveat."""
    rows = [f"{i};{cell.replace('.', ',') if i >= N // 2 else cell}" for i, cell in enumerate(D)]
    with pytest.raises(ReadError, match=f"line {N // 2 + 2}: usual frames last .* from here on"):
        read_capture(io.BytesIO("\n".join(["frame;ms", *rows, ""]).encode()))


def test_units_of_a_column_that_change_are_refused() -> None:
    rows = [(f"{value / 1000:.6f}", "s") if i < 3 * N // 4 else (f"{value:.3f}", "ms") for i, value in enumerate(MS)]
    with pytest.raises(ReadError, match=r"usual frames last .* in the first rows, and .* in the last"):
        read_capture(io.BytesIO(table("frame time,unit", *zip(*rows, strict=True))))


def test_frame_times_that_stand_twice_each_are_told() -> None:
    twice = [cell for cell in D for _ in "12"]
    (caveat,) = read_capture(io.BytesIO(table("frame_ms", twice))).caveats
    assert "Each frame time stands twice" in caveat.message
    assert read_capture(io.BytesIO(table("frame_ms", ["16.667"] * N))).caveats == ()
    # So do those of pictures that were made between two others, each with its number; or rows that stand twice.
    count = [str(i) for i in range(2 * N)]
    (caveat,) = read_capture(io.BytesIO(table("frame,frame_ms", count, twice))).caveats
    assert "or generated, half as many were rendered" in caveat.message
    (caveat,) = read_capture(io.BytesIO(table("frame,frame_ms", sorted(count[:N] * 2, key=int), twice))).caveats
    assert "left out once" in caveat.message


@pytest.mark.parametrize("unit", ["ps", "fs", "ks"])
def test_a_unit_of_seconds_that_is_not_known_is_refused(unit: str) -> None:
    with pytest.raises(ReadError, match="the unit in the name of"):
        read_capture(io.BytesIO(table(f"frame,time ({unit})", C, T)))


def test_hundredths_of_a_second_are_read() -> None:
    """They were read as ms, ten times as fast, with a note that no unit was stated."""
    assert rate_of(table("frame,time (cs)", C, fixed(ENDS, 4, 0.1))) == pytest.approx(RATE, rel=0.002)


@pytest.mark.parametrize(
    ("cells", "found"),
    [
        ([*D[:100], *fixed([value * 1000 for value in MS[100:]])], "the time column and the frame times differ"),
        (D, "the time begins again"),
    ],
)
def test_the_refusal_of_two_columns_has_a_command_for_each(cells: list[str], found: str) -> None:
    stamps = TS if cells is not D else [*TS[:700], *TS[: N - 700]]
    with pytest.raises(ReadError, match=rf"{found}.*frametime check log --time-column frame_ms"):
        read_capture(io.BytesIO(table("time_s,frame_ms", stamps, cells)))


def test_many_times_that_cannot_be_read_weigh_more_than_a_few() -> None:
    def weight(n_lost: int) -> str:
        content = table("time_s,frame_ms", ["" if 10 < i <= 10 + n_lost else each for i, each in enumerate(TS)], D)
        (told,) = (c for c in read_capture(io.BytesIO(content)).caveats if c.code == "time-cells-unread")
        return told.weight.name

    assert (weight(5), weight(500)) == ("NOTE", "CARE")


@pytest.mark.parametrize("header", ["frame time [ms]", "time (ms)", "ms", None])
@pytest.mark.parametrize("n_long", [1, 2])
def test_a_stutter_where_the_look_at_the_first_rows_ends_makes_no_clock_of_frame_times(
    header: str | None, n_long: int
) -> None:
    """Whatever row that is: a stutter lies in each of the first 70."""
    dice = random.Random(9)
    for at in range(70):
        ms = [dice.gauss(12.0, 0.2) for _ in range(300)]
        ms[at : at + n_long] = [31.0, 47.0][:n_long]
        capture = read_capture(io.BytesIO(table(header, fixed(ms))))
        stamps = capture.frames["timestamp_ns"].to_numpy()
        assert stamps[-1] - stamps[0] == pytest.approx(sum(ms) * 1e6, rel=1e-4)


@pytest.mark.parametrize("at", [0, 1, 28, 29, 30])
def test_a_hitch_where_the_look_begins_or_ends_parts_no_start_from_its_end(at: int) -> None:
    ms = [9.0 + 0.1 * (k % 7) for k in range(90)]
    ms[at] = 60.0
    ends = list(accumulate(ms))
    capture = read_capture(io.BytesIO(table("start time (ms),end time (ms)", fixed([0.0, *ends[:-1]]), fixed(ends))))
    assert capture.n_frames >= 89


@pytest.mark.parametrize(
    "above", ["", "# recorded: 2026-11-30\n", "A run of the harbor\n\n", "Resolution,2560x1440\n\n"]
)
@pytest.mark.parametrize("name", ["fps", "FPS", "프레임 속도", "ips", "images par seconde"])
def test_one_column_of_rates_is_read_below_whatever_stands_above_it(above: str, name: str) -> None:
    assert rate_of(above.encode() + table(name, F)) == pytest.approx(RATE, rel=0.002)


@pytest.mark.parametrize("clock", ["core clock", "Memory Clock", "mem_clock"])
def test_the_clock_of_a_part_of_the_card_is_no_time(clock: str) -> None:
    assert rate_of(table(f"{clock},FPS", [str(2500 + k % 90) for k in C], F)) == pytest.approx(RATE, rel=0.002)


@pytest.mark.parametrize("n_lost", [1, 3, 5])
def test_a_last_stamp_that_was_cut_is_left_out_where_the_clock_rises(n_lost: int) -> None:
    content = table("frame time (us),time (us)", whole(MS, 1e3), whole(ENDS, 1e3)).rstrip(b"\n")
    capture = read_capture(io.BytesIO(content[:-n_lost]))
    assert "cut-last-line" in {caveat.code for caveat in capture.caveats} and capture.n_frames == N - 1


def test_a_total_behind_a_blank_line_is_no_frame_where_words_stand_before_the_time() -> None:
    content = table("resolution;time (s)", ["2560x1440"] * N, TS, delimiter=";") + b"\nAverage;111.4\n"
    capture = read_capture(io.BytesIO(content))
    assert "footer" in {caveat.code for caveat in capture.caveats}
    assert rate_of(content) == pytest.approx(RATE, rel=0.002)


def test_names_beside_rows_that_are_lists_name_their_cells() -> None:
    rows = [list(map(float, row)) for row in zip(T, F, D, strict=True)]
    for members in (
        {"columns": ["t_ms", "fps", "frame_time_ms"], "data": rows},
        {"index": C, "data": rows, "columns": ["t_ms", "fps", "frame_time_ms"], "scene": "harbor"},
    ):
        capture = read_capture(io.BytesIO(json.dumps(members).encode()))
        assert 'frame_time_column = "frame_time_ms"' in capture.provenance.layout_toml and capture.n_frames == N


def test_one_name_that_holds_all_cells_of_each_row_says_nothing() -> None:
    rows = [{"info": {"frameTimeMs": float(each), "drawCalls": 12}} for each in D]
    assert rate_of(json.dumps(rows).encode()) == pytest.approx(RATE, rel=0.002)
    assert 'time_column = "frameTimeMs"' in read_capture(io.BytesIO(json.dumps(rows).encode())).provenance.layout_toml


def test_commas_in_the_times_of_frames_are_decimal_whatever_mark_stands_elsewhere() -> None:
    commas = [each.replace(".", ",") for each in fixed(MS, 4)]
    content = table("frame time (ms);draw calls (k)", commas, [f"{n % 90}.5" for n in C], delimiter=";")
    assert rate_of(content) == pytest.approx(RATE, rel=0.002)
