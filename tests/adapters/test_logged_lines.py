"""Lines that programs write for people: names with values, words around numbers, events of several kinds."""

from __future__ import annotations

import io
import json
import random
from datetime import datetime, timedelta
from itertools import accumulate

import numpy as np
import pytest

from frametime.adapters.base import ReadOptions
from frametime.adapters.reading import read_capture
from frametime.capture import Capture
from frametime.errors import ReadError
from tests.adapters.bench_logs import fixed, table

N = 400
_DICE = random.Random(8)
MS = [round(_DICE.gauss(9.0, 0.6) + (25.0 if _DICE.random() < 0.01 else 0.0), 3) for _ in range(N)]
ENDS = [round(value, 6) for value in accumulate(MS)]
D, C = fixed(MS), list(range(N))
GPU = fixed([value * 0.85 for value in MS])
_BEGUN = datetime(2026, 11, 30, 12, 0, 1)
STAMPS = [f"{_BEGUN + timedelta(milliseconds=end):%Y-%m-%d %H:%M:%S,%f}"[:-3] for end in ENDS]


def _read(text: str, **options: str) -> Capture:
    return read_capture(io.BytesIO(text.encode()), options=ReadOptions(**options))  # type: ignore[arg-type]


def _lengths_ms(capture: Capture) -> list[float]:
    return [round(step / 1e6, 3) for step in np.diff(capture.frames["timestamp_ns"].to_numpy())]


PAIRS = {
    "units": "frame={i} gpu={g}ms dt={d}ms\n",
    "without": "frame={i} dt={d} gpu={g}\n",
    "commas": "frame_id={i}, frame_time={d}, dropped=false, resolution=2560x1440\n",
    "quoted": 'frame="{i}" frame_time_ms="{d}" mode="full screen"\n',
    "bars": "frame: {i} | frametime: {d} ms | gpu: {g} ms\n",
    "logger": "{t} INFO renderer - frame={i} dt={d}ms\n",
    "brackets": "[{t}] [info] frame={i} dt={d}ms gpu={g}ms\n",
    "time named": 'time="{t}" level=info msg="frame shown" frame={i} duration={d}ms\n',
    "total": "frame={i} cpu=3.1ms gpu={g}ms total={d}ms\n",
    "tags": '<frame n="{i}" ms="{d}"/>\n',
}


@pytest.mark.parametrize("line", PAIRS.values(), ids=PAIRS)
def test_lines_of_names_with_values_are_rows(line: str) -> None:
    rows = zip(C, D, GPU, STAMPS, strict=True)
    capture = _read("".join(line.format(i=i, d=d, g=g, t=t) for i, d, g, t in rows))
    assert _lengths_ms(capture) == MS
    assert capture.provenance.rows_rejected == 0


def test_other_lines_between_are_told_and_a_last_line_without_an_end_is_left_out() -> None:
    lines = [f"{t} INFO renderer - frame={i} dt={d}ms\n" for i, d, t in zip(C, D, STAMPS, strict=True)]
    lines.insert(7, f"{STAMPS[7]} WARN streaming - pool=full\n")
    capture = _read("".join(lines)[:-2])
    assert _lengths_ms(capture) == MS[:-1]
    told = {caveat.code: caveat.message for caveat in capture.caveats}
    assert told["footer"].startswith("1 line beside the rows is none of them") and "pool=full" in told["footer"]
    assert "The last line" in told["cut-last-line"]


def test_the_moments_of_such_lines_are_read_where_no_length_stands_in_them() -> None:
    capture = _read("".join(f"{t} INFO renderer - presented frame={i}\n" for i, t in zip(C, STAMPS, strict=True)))
    assert capture.n_frames == N - 1
    assert capture.provenance.metadata["recorded_from_local"].startswith("2026-11-30T12:00:01.0")


def test_notes_of_names_with_values_in_a_table_leave_it_a_table() -> None:
    capture = _read("".join(f"{i},{d},preset=high scale=0.7\n" for i, d in zip(C, D, strict=True)))
    assert _lengths_ms(capture) == MS


def test_of_words_around_numbers_the_length_of_the_card_is_not_that_of_the_frame() -> None:
    rows = [
        f"[{end / 1000:9.4f}] frame {i} took {d}ms, gpu {g}ms\n" for i, d, g, end in zip(C, D, GPU, ENDS, strict=True)
    ]
    assert _lengths_ms(_read("".join(rows))) == MS
    with pytest.raises(ReadError, match="there is no line of names"):
        _read("".join(f"frame {i} gpu {g} ms\n" for i, g in zip(C, GPU, strict=True)))


@pytest.mark.parametrize("late", [0, 300])
def test_rows_of_events_without_a_frame_time_are_another_stream(late: int) -> None:
    lines = []
    for i, (ms, end) in enumerate(zip(MS, ENDS, strict=True)):
        lines.append(json.dumps({"type": "frame", "ts": end / 1000, "data": {"id": i, "frame_ms": ms}}))
        if i > late and i % 20 == 9:
            lines.append(json.dumps({"type": "loading", "ts": end / 1000, "data": {"asset": "rock"}}))
    capture = _read("\n".join(lines) + "\n")
    assert _lengths_ms(capture) == MS
    assert "'frame' was read, of 'frame' (400), 'loading'" in " ".join(each.message for each in capture.caveats)


def test_of_two_equal_streams_the_one_that_is_called_frame_is_read() -> None:
    rows = [
        {"name": name, "ts": round(end * 1000), "dur": round(ms * share * 1000)}
        for end, ms in zip(ENDS, MS, strict=True)
        for name, share in (("Frame", 1), ("Paint", 0.4))
    ]
    assert _read(json.dumps({"events": rows})).n_frames == N


def test_begin_and_end_in_rows_without_names_are_moments_of_which_the_end_counts() -> None:
    starts = [0.0, *ENDS[:-1]]
    rows = zip(starts, ENDS, strict=True)
    capture = _read("".join(f"{a:.4f},Begin,Present,{i}\n{b:.4f},End,Present,{i}\n" for i, (a, b) in enumerate(rows)))
    assert _lengths_ms(capture) == MS[1:]


@pytest.mark.parametrize(("name", "words"), [("kind", ("new", "duplicate")), ("duplicate", ("0", "1"))])
def test_rows_that_repeat_the_picture_before_are_not_taken_for_frames(name: str, words: tuple[str, str]) -> None:
    marks = [words[i % 5 == 4] for i in C]
    content = table(f"time_ms,{name}", fixed([i * 16.6667 for i in C], 4), marks).decode()
    with pytest.raises(ReadError, match=rf"no frames of their own; .*--stream {words[0]} "):
        _read(content)
    lengths = _lengths_ms(_read(content, stream=words[0]))
    assert (len(lengths), min(lengths), max(lengths)) == (N * 4 // 5 - 1, 16.667, 33.333)


def test_a_flag_named_after_a_task_parts_no_streams() -> None:
    rows = zip(D, MS, strict=True)
    assert (
        _lengths_ms(_read("delta (ms),long task\n" + "".join(f"{d},{'yes' if ms > 20 else 'no'}\n" for d, ms in rows)))
        == MS
    )


def test_numbers_that_are_the_same_length_in_either_reading_are_read() -> None:
    rows = zip(STAMPS, D, strict=True)
    content = "Time;Frame time\n" + "".join(f"{t[11:].replace(',', '.')};{d.replace('.', ',')}\n" for t, d in rows)
    assert _lengths_ms(_read(content)) == MS


def test_the_frame_time_of_the_display_that_goes_up_and_down_is_no_moment() -> None:
    rows = zip(C, D, strict=True)
    assert _lengths_ms(_read("frame,display frame time (ms)\n" + "".join(f"{i},{d}\n" for i, d in rows))) == MS


@pytest.mark.parametrize(
    ("encoding", "header"),
    [
        ("cp1251", "кадр,время кадра (мс)"),
        ("shift_jis", "フレーム,フレーム時間(ms)"),
        ("gbk", "帧,帧时间(ms)"),
        ("cp1252", "n,durée (ms)"),
    ],
)
def test_the_encoding_in_which_names_are_words_is_taken(encoding: str, header: str) -> None:
    content = table(header, C, D).decode().encode(encoding)
    capture = read_capture(io.BytesIO(content))
    assert _lengths_ms(capture) == MS
    assert f'encoding = "{encoding}"' in capture.provenance.layout_toml


def test_several_runs_in_one_object_are_refused_as_such() -> None:
    runs = {f"run {k}": [{"frame": i, "frame_ms": ms} for i, ms in enumerate(MS)] for k in (1, 2, 3)}
    with pytest.raises(ReadError, match="log: 3 runs stand side by side in one JSON object; give each run as a file"):
        _read(json.dumps(runs))


def test_cells_that_stand_deep_in_an_object_are_found() -> None:
    rows = [{"n": i, "frame": {"times": {"total": {"frame_ms": ms}}}} for i, ms in enumerate(MS)]
    assert _lengths_ms(_read("".join(json.dumps(row) + "\n" for row in rows))) == MS


def test_two_rows_a_frame_of_two_kinds_without_names_are_not_taken_for_frames() -> None:
    with pytest.raises(ReadError, match="several streams are equally busy: 'F'"):
        _read("".join(f"F,{i},{d}\nG,{i},{g}\n" for i, d, g in zip(C, D, GPU, strict=True)))


@pytest.mark.parametrize("words", [("rendered", "generated"), ("0", "1")])
def test_generated_frames_that_a_column_tells_can_all_be_read(words: tuple[str, str]) -> None:
    """Each command that was named is for half of the frames, at half the rate that a player sees."""
    log = "time (ms),frame kind\n" + "".join(f"{8.3 * i + i % 2:.1f},{words[i % 2]}\n" for i in range(600))
    with pytest.raises(ReadError, match=r"several streams are equally busy: .*choose one, or all: .* --stream '?\*'?"):
        _read(log)
    assert _read(log, stream="*").frames.num_rows == 600


COMMAS = {
    "decimal commas": "Bildzeit: {c} ms, Aufrufe: 1,5\n",
    "decimal commas alone": "frame={i} dt={c}ms\n",
    "the number of the frame": "Frame {i}: {d} ms (GPU: {g} ms)\n",
    "that number alone": "frame {i}: {d}ms\n",
    "that number behind a mark": "Bild #{i}: {d} ms (GPU: {g} ms)\n",
    "returns alone": "frame={i} dt={d}ms\r",
}


@pytest.mark.parametrize("line", COMMAS.values(), ids=COMMAS)
def test_pairs_keep_what_stands_behind_a_comma_and_before_a_colon(line: str) -> None:
    """The whole numbers alone were read, without a word; or the work of the card was offered for the frame."""
    rows = zip(C, D, GPU, strict=True)
    assert _lengths_ms(_read("".join(line.format(i=i, d=d, c=d.replace(".", ","), g=g) for i, d, g in rows))) == MS


def test_the_names_of_rows_need_no_name_themselves() -> None:
    """As a numbered table is written: both ways of laying the names over the columns seemed to fit."""
    rows = "".join(f'"{i + 1}" {i} {d}\n' for i, d in enumerate(D))
    assert _lengths_ms(_read(f'"frame" "ms"\n{rows}')) == MS


def test_lengths_with_days_before_them_are_read() -> None:
    rows = "".join(f"{i},0 days 00:00:00.{round(ms * 1000):06d}\n" for i, ms in enumerate(MS))
    assert _lengths_ms(_read(f"frame,frame_time\n{rows}")) == MS


def test_a_name_that_stands_twice_in_a_line_keeps_no_value_in_silence() -> None:
    lines = (
        f"Frame {2 * i}: {a} ms, Frame {2 * i + 1}: {b} ms\n"
        for i, (a, b) in enumerate(zip(D[::2], D[1::2], strict=True))
    )
    assert any("other lengths frame by frame" in caveat.message for caveat in _read("".join(lines)).caveats)
