"""Logs unlike those that tables of a bench are: each with one plausible reading, and what is said of it."""

from __future__ import annotations

import io
import json
import zipfile
from pathlib import Path

import numpy as np
import pytest

from frametime.adapters.base import ReadOptions
from frametime.adapters.columns.column_facts import column_facts
from frametime.adapters.columns.layout import Layout
from frametime.adapters.file_kind import classify_file
from frametime.adapters.reading import read_capture
from frametime.caveats import Weight
from frametime.errors import ReadError
from tests.adapters.bench_logs import fixed, table, whole
from tests.adapters.test_bench_folder import (
    COUNT,
    ENDS,
    MOMENTS,
    MS,
    POWER_W,
    TEMPERATURE_C,
    TIMES_S,
    lengths_ms,
    samples_of,
)

N = len(MS)
GPU = fixed(MS, 3, 0.8)


def codes_of(content: bytes) -> list[str]:
    return [caveat.code for caveat in read_capture(io.BytesIO(content)).caveats]


PAGE = "frame   time (ms)\n-----   ---------\n"
ROWS = [f"{k:5d} {ms:10.3f}\n" for k, ms in enumerate(MS)]
FRAMES = {
    "a moment in brackets before each line": "".join(
        f"[{end / 1e3:12.6f}] flip: pipe 0 field {k}\n" for k, end in enumerate(ENDS)
    ),
    "a word in brackets before the time of the card": "".join(
        f"[{end / 1e3:11.6f}] frame {k} {ms} ms (gpu {gpu} ms)\n"
        for k, end, ms, gpu in zip(COUNT, ENDS, MS, GPU, strict=True)
    ),
    "a word in brackets before the time of the card, and no moments": "".join(
        f"frame {k} {ms} ms (gpu {gpu} ms)\n" for k, ms, gpu in zip(COUNT, MS, GPU, strict=True)
    ),
    "a section for a name": "[run]\nwidth=2560\nheight=1440\n[frames]\n" + "\n".join(fixed(MS)) + "\n",
    "the header on each page": "".join(PAGE + "".join(ROWS[at : at + 50]) for at in range(0, N, 50)),
    "a unit in a column of its own": table("value,unit,frame", MS, ["ms"] * N, COUNT).decode(),
    "UTF-32": table("frame,frame time (ms)", COUNT, MS).decode().encode("utf-32"),
    "UTF-32, the other way round": table("frame,frame time (ms)", COUNT, MS)
    .decode()
    .join("\ufeff ")
    .encode("utf-32-be"),
    "starts that are counted": table("frame,start", COUNT, ENDS).decode(),
    "start and end": '{"frames": ['
    + ", ".join(f'{{"start": {end - ms:.3f}, "end": {end:.3f}}}' for end, ms in zip(ENDS, MS, strict=True))
    + "]}",
}


def test_units_that_differ_from_row_to_row_are_none() -> None:
    units = [column_facts(("value", "unit"), (), [("8.4", "ms"), ("9.1", last)], 2)[0].unit for last in ("ms", "us")]
    assert [unit and unit.name for unit in units] == ["ms", None]


@pytest.mark.parametrize("name", FRAMES)
def test_frames_are_read(name: str) -> None:
    content = FRAMES[name]
    found = lengths_ms(content.encode() if isinstance(content, str) else content)
    assert found == pytest.approx(MS[N - len(found) :])


def test_a_line_of_settings_below_the_columns_is_no_frame() -> None:
    """It was read as a frame of 1 ms, for it holds a number below the first name."""
    content = table("events,frame time (ms),game,draw,gpu", [""] * N, MS, GPU, GPU, GPU, below="[end],1,[build],77,x\n")
    assert lengths_ms(content) == pytest.approx(MS)
    assert codes_of(content) == ["footer"]
    # One word among numbers is a cell that lacks, not a row that is none.
    assert len(lengths_ms(table("frame time (ms),game,gpu", [*MS, 9.0], [*GPU, "x"], [*GPU, 7.0]))) == N + 1


@pytest.mark.parametrize("name", ["time (s)", "elapsed (s)"])
def test_a_time_that_never_changes_beside_sensors_is_no_frame(name: str) -> None:
    """It was read as frames of 1 s, and nothing was said."""
    content = table(f"{name},gpu power (W)", ["1.0"] * len(POWER_W), POWER_W)
    with pytest.raises(ReadError, match=r"this looks like a sensor log: rows come 1 s apart|the same time"):
        read_capture(io.BytesIO(content))
    # Lengths that go up and down are no steps of a clock; what speaks of frames is theirs, however even.
    slow = [55.0 + k * 7 % 11 for k in range(len(POWER_W))]
    assert codes_of(table("time (ms),gpu power (W)", slow, POWER_W)) == []
    assert lengths_ms(table("frame time (ms),gpu power (W)", ["10.0"] * len(POWER_W), POWER_W)) == [10.0] * len(POWER_W)


def test_sums_under_the_name_of_frame_times_are_moments() -> None:
    content = table("frametime_ms", fixed(ENDS))
    assert lengths_ms(content) == pytest.approx(MS[1:])
    assert codes_of(content) == ["reading-inferred"]


def test_recordings_in_one_log_are_told_with_their_lines() -> None:
    content = table("time_ms", [*fixed(ENDS), *fixed(ENDS)])
    with pytest.raises(ReadError, match=f"several recordings stand in one log; they begin in lines 2, {N + 2};"):
        read_capture(io.BytesIO(content))
    # A row that is merely late begins none.
    late = [*ENDS[:20], ENDS[21], ENDS[20], *ENDS[22:]]
    content = table("time_ms", [*fixed(late), *fixed(late[:200]), *fixed(ENDS)])
    with pytest.raises(ReadError, match=f"they begin in lines 2, {N + 2}, {N + 202};"):
        read_capture(io.BytesIO(content))


def test_headers_again_do_not_count_where_too_many_rows_are_bad() -> None:
    """What must be allowed is what is told: --max-rejected counts the rows of the table alone."""
    pages = [table("frame,frame time (ms)", COUNT[at : at + 50], MS[at : at + 50]) for at in range(0, N, 50)]
    content = b"".join(pages) + b"1,x\n" * 9
    with pytest.raises(
        ReadError, match=rf": 9 of {N + 9} rows cannot be used, more than the \d allowed \(line \d+: 'x'"
    ):
        read_capture(io.BytesIO(content))


def test_the_mark_that_ends_a_text_of_old_systems_makes_none_binary() -> None:
    """A short one was refused: one mark of control in a thousand characters was allowed, and it has fewer."""
    assert lengths_ms(table("frame time (ms)", MS[:60], below="\x1a")) == pytest.approx(MS[:60])
    with pytest.raises(ReadError, match="a binary file"):
        read_capture(io.BytesIO(table("frame time (ms)", MS[:60], below="\x1b")))


SENSORS = {
    "the unit of each quantity beside it": table(
        "time,time unit,power,power unit,temp,temp unit",
        *(
            each
            for values, unit in ((TIMES_S, "s"), (POWER_W, "W"), (TEMPERATURE_C, "C"))
            for each in (values, [unit] * 60)
        ),
    ),
    "a count from 1970 beside the date": table(
        "epoch_ms,iso,gpu_w,gpu_c",
        [round(1_793_650_500_000 + 1e3 * t) for t in TIMES_S],
        MOMENTS,
        POWER_W,
        TEMPERATURE_C,
    ),
    "channels": table("No.,time (s),CH1 power (W),CH2 GPU core (°C)", range(60), TIMES_S, POWER_W, TEMPERATURE_C),
    "degC": table("time (s),watts,degC", TIMES_S, POWER_W, TEMPERATURE_C),
}


@pytest.mark.parametrize("name", SENSORS)
def test_sensors_are_read(name: str) -> None:
    samples = samples_of(SENSORS[name])
    assert np.diff(samples.ns).tolist() == [500_000_000] * 59
    found = {quantity: values.tolist() for quantity, values in samples.values.items()}
    assert found == {"power_w": POWER_W, "temperature_c": TEMPERATURE_C}


@pytest.mark.parametrize(
    "name",
    [
        "clocks.gr [MHz]",
        "GPU clocks (MHz)",
        "Uso de la GPU (%)",
        "Charge GPU (%)",
        "Utilizzo GPU (%)",
        "Загрузка GPU (%)",
    ],
)
def test_other_words_for_load_and_clock(name: str) -> None:
    quantity = "core_clock_mhz" if "MHz" in name else "utilization_pct"
    assert [*samples_of(table(f"time (s),{name}", TIMES_S, [97.5] * 60)).values] == [quantity]


@pytest.mark.parametrize("names", [None, "frame time 1 (ms),frame time 2 (ms)", "frame time (ms),frame time (ms)"])
def test_two_runs_side_by_side_are_told(names: str | None) -> None:
    """They took the same time in all, so the first was read, and nothing was said of the other."""
    content = table(names, MS, MS[::-1])
    assert lengths_ms(content) == pytest.approx(MS)
    told = [caveat for caveat in read_capture(io.BytesIO(content)).caveats if caveat.code == "column-not-used"]
    assert [caveat.message[:69] for caveat in told] == [
        "Column 2 gives other lengths frame by frame than column 1, which was "
    ]
    names = "frame time (ms),frame time (us)"
    odd = [1e3 * ms + 2000 * (k % 10 == 0) - 2000 * (k % 10 == 1) for k, ms in enumerate(MS)]
    for ms, us in ((MS, [1e3 * ms for ms in MS]), (fixed(MS, 1), [1e3 * ms for ms in MS]), (MS, odd)):
        # The same in another unit, in fewer digits, or but for a few frames.
        assert "column-not-used" not in codes_of(table(names, ms, whole(us)))


def zipped(*names: str) -> bytes:
    with zipfile.ZipFile(held := io.BytesIO(), "w", zipfile.ZIP_DEFLATED) as archive:
        for name in names:
            archive.writestr(name, "" if name.endswith("/") else table("frame,frame time (ms)", COUNT, MS))
    return held.getvalue()


def test_the_one_log_in_an_archive_is_read(tmp_path: Path) -> None:
    content = zipped("run/", "run/capture.csv", "__MACOSX/run/._capture.csv", "run/.hidden")
    assert lengths_ms(content) == pytest.approx(MS)
    path = tmp_path / "capture.csv.zip"
    path.write_bytes(content)
    assert classify_file(path).kind == "frames"
    locked, packed = bytearray(zipped("a.csv")), bytearray(zipped("a.csv"))
    for header, at in ((b"PK\3\4", 6), (b"PK\1\2", 8)):
        locked[locked.index(header) + at] |= 1
        packed[packed.index(header) + at + 2] = 9  # a method that some systems take for large files
    for archive, holds in (
        (zipped("a.csv", "b.csv"), r"2 files \(a.csv, b.csv\)"),
        (zipped("run/"), "0 files"),
        *((bytes(each), r"a file that is encrypted, or .* another method \(a.csv\)") for each in (locked, packed)),
    ):
        with pytest.raises(ReadError, match=rf"this archive holds {holds}; unpack it and give one log"):
            read_capture(io.BytesIO(archive))
    with pytest.raises(ReadError, match="the zip data are damaged"):
        read_capture(io.BytesIO(content[:-30]))
    bomb = io.BytesIO()
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as written:
        written.writestr("run.csv", b"frame time (ms)\n" + b"16.6\n" * 40_000)
    with pytest.raises(ReadError, match="unpacks to more than 100000 bytes"):
        read_capture(io.BytesIO(bomb.getvalue()), options=ReadOptions(max_decompressed_bytes=100_000))


LINES = {
    "run.txt": "".join(f"#{k:05d} | {ms} ms | {1000 / ms:.1f} fps\n" for k, ms in enumerate(MS)),
    "run.log": "".join(f"frame done in {ms}ms\n" for ms in MS),
}


@pytest.mark.parametrize("name", LINES)
def test_a_folder_takes_lines_that_say_of_what_they_are(name: str, tmp_path: Path) -> None:
    """They were passed over, though each is read by itself."""
    path = tmp_path / name
    path.write_text(LINES[name])
    assert classify_file(path).kind == "frames"
    assert lengths_ms(path.read_bytes()) == pytest.approx(MS)
    path.write_text("unpacked in 12 ms\n" * 60)
    assert classify_file(path).kind == "other"


def one_value_a_row(names: str, *, in_blocks: bool = False) -> bytes:
    """Frame time, the card's work in each frame and its power in each tenth, each in a row of its own."""
    of_each = [("frame time (ms)", MS), ("gpu work (ms)", [0.8 * ms for ms in MS]), ("gpu power (W)", [200.0] * N)]
    places = [(k, q) for k in range(N) for q in range(3) if q < 2 or k % 10 == 0]
    keys, rows = fixed(ENDS, 3), list[str]()
    for k, q in sorted(places, key=lambda place: place[1]) if in_blocks else places:
        name, values = of_each[q]
        bare, _, unit = name.partition(" (")
        cells = {"time (ms)": keys[k], "frame": str(k), "value": f"{values[k]:.3f}", "unit": unit.strip(")")}
        cells |= {"row": str(len(rows)), "quantity": bare if "unit" in names else name}
        rows.append(",".join(cells[each] for each in names.split(",")))
    return "\n".join([names, *rows, ""]).encode()


LONG = {
    "beside a time": one_value_a_row("time (ms),quantity,value"),
    "beside a unit": one_value_a_row("time (ms),quantity,value,unit"),
    "beside the number of the frame": one_value_a_row("frame,quantity,value"),
    "beside the number of the row": one_value_a_row("row,time (ms),quantity,value"),
    "one quantity below the other": one_value_a_row("time (ms),quantity,value", in_blocks=True),
    "one quantity below the other, by frames": one_value_a_row("frame,quantity,value,unit", in_blocks=True),
}


@pytest.mark.parametrize("name", LONG)
def test_a_row_for_each_quantity_of_a_frame_is_read_where_one_is_its_time(name: str) -> None:
    """They were refused, with commands that took every number for the time of a frame."""
    assert lengths_ms(LONG[name]) == pytest.approx(MS)
    capture = read_capture(io.BytesIO(LONG[name]))
    work = capture.frames["gpu_work_ns"].to_pylist()[1:]
    assert work == [pytest.approx(0.8e6 * ms, abs=501) for ms in MS]
    assert capture.sensors is not None
    assert capture.sensors.missing_counts["power_w"] == N - N // 10


def test_the_layout_of_a_row_for_each_quantity_reads_it_again() -> None:
    content = LONG["beside a time"]
    layout = Layout.from_toml(read_capture(io.BytesIO(content)).provenance.layout_toml, "layout")
    assert layout.frame_time_column == "frame time (ms)"
    assert lengths_ms(content, ReadOptions(layout=layout)) == pytest.approx(MS)


def test_the_last_quantity_is_left_out_where_its_digits_may_be_cut_off() -> None:
    content = LONG["beside a time"].rstrip()[:-2]
    assert "cut-last-line" in codes_of(content)
    assert lengths_ms(content) == pytest.approx(MS)


def test_of_two_quantities_that_may_be_the_time_of_a_frame_each_command_reads_its_own() -> None:
    content = LONG["beside the number of the frame"].replace(b"gpu work", b"display interval")
    with pytest.raises(ReadError, match=r"2 ways that differ.*--time-column 'display interval") as refused:
        read_capture(io.BytesIO(content))
    assert "--time-column 'frame time (ms)'" in str(refused.value)
    assert lengths_ms(content, ReadOptions(time_column="frame time (ms)")) == pytest.approx(MS)
    shown = lengths_ms(content, ReadOptions(time_column="display interval (ms)"))
    assert shown == pytest.approx([0.8 * ms for ms in MS], abs=0.001)


def test_the_names_of_quantities_are_those_of_no_application() -> None:
    capture = read_capture(io.BytesIO(LONG["beside a time"]), options=ReadOptions(stream="frame time (ms)"))
    assert capture.n_frames == N
    assert "stream-not-named" in [caveat.code for caveat in capture.caveats]


SERIES = {
    "a name and a list each": [{"name": "time (ms)", "values": ENDS}, {"name": "frame time (ms)", "values": MS}],
    "a unit beside the name": [
        {"name": "frame time", "unit": "ms", "data": MS},
        {"unit": "W", "name": "gpu power", "data": MS},
    ],
    "the settings of a chart": {
        "type": "line",
        "data": {"labels": COUNT, "datasets": [{"label": "frame time (ms)", "data": MS, "color": "red"}]},
    },
    "the one run of a list": {"runs": [{"name": "run 1", "frame_ms": MS}]},
}


@pytest.mark.parametrize("name", SERIES)
def test_lists_of_numbers_beside_their_names_are_columns(name: str) -> None:
    """Only the names were seen, and the log was refused without a command."""
    assert lengths_ms(json.dumps(SERIES[name]).encode()) == pytest.approx(MS)


def test_lists_of_two_runs_are_refused() -> None:
    runs = [{"name": f"run {k}", "frame_ms": ms} for k, ms in enumerate((MS, MS[::-1]))]
    with pytest.raises(ReadError):
        read_capture(io.BytesIO(json.dumps(runs).encode()))


INDEXED = {
    "rows by their index": json.dumps({str(k): {"frame_ms": v, "gpu": 0.8 * v} for k, v in enumerate(MS)}),
    "columns of cells": json.dumps({n: {str(k): v for k, v in enumerate(MS)} for n in ("frame_ms", "gpu")}),
    "tuples": "".join(f"({k}, {v})\n" for k, v in enumerate(MS)),
    "a list of tuples": str([*enumerate(MS)]),
    "names in single quotes": "".join(f"{ {'frame': k, 'dt': v, 'note': None} }\n" for k, v in enumerate(MS)),
}


@pytest.mark.parametrize("name", INDEXED)
def test_values_as_scripts_write_them_are_rows(name: str) -> None:
    """They were refused, the first two for their number of columns."""
    assert lengths_ms(INDEXED[name].encode()) == pytest.approx(MS)


def test_objects_by_names_are_no_frames() -> None:
    runs = {f"run {k}": {"average_fps": 75.0, "ms": 13.4 + k / 10} for k in range(12)}
    with pytest.raises(ReadError):
        read_capture(io.BytesIO(json.dumps(runs).encode()))


def test_a_list_in_each_frame_is_no_column() -> None:
    frames = [{"frame": k, "frame_ms": ms, "passes": [0.5] * 25} for k, ms in enumerate(MS)]
    assert lengths_ms(json.dumps(frames).encode()) == pytest.approx(MS)
    assert lengths_ms("\n".join(map(json.dumps, frames)).encode()) == pytest.approx(MS)
    few = [each | {"passes": [0.5] * 60} for each in frames[:40]]
    assert lengths_ms(json.dumps(few).encode()) == pytest.approx(MS[:40])


@pytest.mark.parametrize("end", ["\v", "\x85"], ids=["tab", "next line"])
def test_lines_of_pairs_that_no_line_end_parts_are_refused(tmp_path: Path, end: str) -> None:
    log = tmp_path / "pairs.txt"
    log.write_bytes(end.join(["dt=16.6ms", "dt=16.7ms", "dt=16.5ms", "dt=16.6ms", ""]).encode())
    with pytest.raises(ReadError, match="no rows of numbers were found"):
        read_capture(str(log))


MEAN = f"{sum(MS) / N:.3f}"
TENTHS = [f"{end / 1e3:.1f}" for end in ENDS]
BESIDE = {
    "a mean with its name": (table("frame;ms", COUNT, MS, delimiter=";", below=f"Mean;{MEAN}\n"), "footer"),
    "a mean with another word": (table("t (s);ms", TENTHS, MS, delimiter=";", below=f"Ergebnis;{MEAN}\n"), "footer"),
    "a share for a name": (table("frame,ms", COUNT, MS, below="99%,31.5\n"), "footer"),
    "a mean below the lengths alone": (table("frame,ms", COUNT, MS, below=f",{MEAN}\n"), "footer"),
    "the same beside moments": (table("t (s),ms", fixed(ENDS, 5, 1e-3), MS, below=f",{MEAN}\n"), "footer"),
    "the same behind a word": (table("scene,frame,ms", ["bay"] * N, COUNT, MS, below=f"mean,,{MEAN}\n"), "footer"),
    "a mean above the rows": (table("frame,ms", ["mean", *COUNT], [MEAN, *MS]), "footer"),
    "the newest row first, by moments": (table("t (s)", fixed(ENDS[::-1], 5, 1e-3)), "rows-sorted"),
    "the newest row first, by numbers": (table("frame,ms", COUNT[::-1], MS[::-1]), "rows-sorted"),
    "tenths of seconds": (table("t (s),ms", TENTHS, MS), None),
    "seconds": (table("t (s),ms", [f"{end / 1e3:.0f}" for end in ENDS], MS), "column-not-used"),
    "seconds beside rates": (
        table("t (s),fps", [f"{end / 1e3:.0f}" for end in ENDS], fixed([1e3 / ms for ms in MS], 5)),
        "column-not-used",
    ),
    "names one below the other": (
        "".join(
            f"---\nFrame: {k}\nFrame time: {ms} ms\nGPU time: {gpu} ms\n"
            for k, ms, gpu in zip(COUNT, MS, GPU, strict=True)
        ).encode(),
        "footer",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", BESIDE)
def test_what_stands_beside_the_frames_is_none_of_them(name: str) -> None:
    content, code = BESIDE[name]
    frames = lengths_ms(content)
    assert frames == pytest.approx(MS[N - len(frames) :], abs=2e-2)
    assert len(frames) >= N - 1
    assert code in (None, *codes_of(content))


def test_a_row_of_frames_without_its_number_is_one() -> None:
    numbers = ["" if k == 50 else str(k) for k in COUNT]
    assert lengths_ms(table("frame,ms", numbers, MS)) == pytest.approx(MS)
    numbers[-1] = "x"
    assert lengths_ms(table("frame,ms", numbers, MS)) == pytest.approx(MS[:-1])


def test_the_last_lines_of_blocks_are_no_log() -> None:
    blocks = "".join(f"-[ ROW {k} ]-----\nframe    | {k}\nframe_ms | {ms}\n" for k, ms in zip(COUNT, MS, strict=True))
    with pytest.raises(ReadError, match="no rows of numbers were found"):
        read_capture(io.BytesIO(blocks.encode()))


@pytest.mark.parametrize("name", ["run_id", "Lauf", "card"])
def test_runs_below_each_other_are_asked_for(name: str) -> None:
    content = table(f"{name},frame_ms", ["x"] * (N // 2) + ["y"] * (N // 2), MS)
    with pytest.raises(ReadError, match=r"several streams are equally busy: .* --stream x  or  .* --stream y"):
        read_capture(io.BytesIO(content))
    capture = read_capture(io.BytesIO(content), options=ReadOptions(stream="y"))
    assert np.diff(capture.frames["timestamp_ns"].to_pylist()) / 1e6 == pytest.approx(MS[N // 2 :], abs=1e-3)


def test_buffers_in_turn_are_no_streams() -> None:
    content = table("t (s),ms,buffer", fixed(ENDS, 5, 1e-3), MS, [k % 5 for k in COUNT])
    assert lengths_ms(content) == pytest.approx(MS, abs=2e-2)


def test_time_that_is_left_is_no_clock_read_from_below() -> None:
    with pytest.raises(ReadError, match="no column says that it is a time of whole frames"):
        read_capture(io.BytesIO(table("remaining (s)", fixed([99 - end / 1e3 for end in ENDS], 5))))


@pytest.mark.parametrize("zone", ["Z", " INFO", "+0100 main"])
def test_a_comma_before_the_digits_of_a_second_parts_no_cells(zone: str) -> None:
    content = "".join(f"2026-11-27T09:41:{7 + end / 1e3:09.6f}{zone} frame\n".replace(".", ",") for end in ENDS)
    assert lengths_ms(content.encode()) == pytest.approx(MS[1:], abs=2e-3)


def test_minutes_go_on_after_59_where_no_hours_stand_before_them() -> None:
    clock = [f"{58 + int(end) // 1000}:{end / 1e3 % 1 * 60:07.4f}" for end in ENDS]
    assert lengths_ms(table("elapsed", clock)) == pytest.approx([60 * ms for ms in MS[1:]], abs=0.2)


def test_a_program_that_was_started_again_is_another() -> None:
    content = table("app,pid,frame_ms", ["game"] * N, [100] * (N // 2) + [200] * (N // 2), MS)
    with pytest.raises(ReadError, match=r"several streams are equally busy: .* --stream 100  or  .* --stream 200"):
        read_capture(io.BytesIO(content))


@pytest.mark.parametrize("step_us", [1000, 10000])
def test_even_rows_of_which_nothing_speaks_of_frames_are_told(step_us: int) -> None:
    content = table("time_us,level", [step_us * k for k in COUNT], [k * k % 17 for k in COUNT])
    (caveat,) = read_capture(io.BytesIO(content)).caveats
    assert (caveat.code, caveat.weight) == ("reading-inferred", Weight.CARE)


def test_rows_that_stand_twice_are_no_clock_that_stands_still() -> None:
    twice = [k // 2 for k in range(2 * N)]
    content = table("t (s),ms", [f"{ENDS[k] / 1e3:.5f}" for k in twice], [MS[k] for k in twice])
    with pytest.raises(ReadError, match="it can be read in 2 ways that differ"):
        read_capture(io.BytesIO(content))


def test_a_clock_too_coarse_for_frames_makes_no_sensor_log() -> None:
    """The command for that reading was printed, and refused by the clock."""
    content = table("time_s,gpu_load", fixed([end / 1e3 for end in ENDS], 1), [90 + k % 5 for k in COUNT])
    with pytest.raises(ReadError, match="the clock is too coarse, or rows stand twice") as refused:
        read_capture(io.BytesIO(content))
    assert "frametime check" not in str(refused.value)
