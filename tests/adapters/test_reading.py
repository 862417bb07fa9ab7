"""From a file to a capture: where it came from is told, and no library is imported that is not used."""

from __future__ import annotations

import gzip
import hashlib
import io
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from frametime.adapters.base import ReadOptions
from frametime.adapters.columns.layout import Layout
from frametime.adapters.reading import read_capture
from frametime.adapters.stored_log import opened_log, part_of
from frametime.capture import Conditions
from frametime.errors import ReadError

DATA = Path(__file__).parent / "data"
RECORDED = sorted((DATA / "recorded").glob("*.csv.gz"))
LOG = b"Machine: bench 1\nDriver = 1.2\n\ntime (s),frame time (ms)\n" + b"".join(
    b"%.6f,%.3f\n" % ((i + 1) * 0.0165, 16.5) for i in range(40)
)


def columns_of(path: Path) -> dict[str, list[int]]:
    """A recorded log, parsed by hand: whole numbers between commas."""
    header, *lines = gzip.decompress(path.read_bytes()).decode("ascii").splitlines()
    cells = [[int(cell) for cell in line.split(",")] for line in lines]
    return {name: [row[i] for row in cells] for i, name in enumerate(header.split(","))}


@pytest.mark.parametrize("path", RECORDED, ids=lambda path: path.name)
def test_recorded_logs(path: Path) -> None:
    truth = columns_of(path)
    capture = read_capture(path)
    assert capture.frames["timestamp_ns"].to_pylist() == truth["finished_ns"]
    assert capture.frames["simulation_start_ns"].to_pylist() == truth["start_ns"]
    assert capture.frames["gpu_work_ns"].to_pylist() == truth["gpu_work_ns"]
    assert capture.n_frames == len(truth["finished_ns"]) - 1
    assert capture.caveats == ()
    assert capture.provenance.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_provenance(tmp_path: Path) -> None:
    path = tmp_path / "run1.csv"
    path.write_bytes(LOG)
    capture = read_capture(path, options=ReadOptions(skip_start_s=0.1), conditions=Conditions(card="one"))
    provenance = capture.provenance
    assert provenance.file_name == str(path)
    assert provenance.sha256 == hashlib.sha256(LOG).hexdigest()
    assert provenance.size_bytes == len(LOG)
    assert provenance.adapter == "delimited-text"
    assert (provenance.rows_read, provenance.rows_rejected) == (40, 0)
    assert dict(provenance.metadata) == {"Machine": "bench 1", "Driver": "1.2"}
    assert dict(provenance.options) == {"skip_start_s": "0.1"}
    assert provenance.recorded_from_utc is None
    assert capture.conditions.card == "one"
    assert any(sentence.startswith("delimiter: with ','") for sentence in provenance.evidence)


def test_hash_and_size_are_of_the_stored_bytes() -> None:
    packed = gzip.compress(LOG, mtime=0)
    provenance = read_capture(io.BytesIO(packed)).provenance
    assert provenance.sha256 == hashlib.sha256(packed).hexdigest()
    assert provenance.size_bytes == len(packed)


def test_a_large_log_is_hashed_beside_the_parsing() -> None:
    content = b"frame time (ms)\n" + b"16.5\n16.75\n" * 150_000
    for use_threads in (True, False):
        capture = read_capture(io.BytesIO(content), use_threads=use_threads)
        assert capture.provenance.sha256 == hashlib.sha256(content).hexdigest()
        assert capture.n_frames == 300_000


def test_standard_input(monkeypatch: pytest.MonkeyPatch) -> None:
    class Stdin:
        buffer = io.BytesIO(LOG)

    monkeypatch.setattr(sys, "stdin", Stdin())
    capture = read_capture("-")
    assert capture.provenance.file_name == "-"
    assert capture.n_frames == 40


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_a_pipe_with_a_name(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe.csv"
    os.mkfifo(pipe)
    writer = subprocess.Popen([sys.executable, "-c", f"open({str(pipe)!r}, 'wb').write({LOG!r})"])
    try:
        assert read_capture(pipe).n_frames == 40
    finally:
        writer.wait(timeout=30)


def test_a_quick_check_imports_nothing_it_does_not_use(tmp_path: Path) -> None:
    """In an environment that has pandas: pyarrow would import it in several of its functions."""
    pytest.importorskip("pandas")
    sound, broken = tmp_path / "sound.csv", tmp_path / "broken.csv"
    sound.write_bytes(LOG)
    broken.write_bytes(LOG.replace(b"16.500", b"NA", 1))
    code = (
        "import sys; from frametime.adapters.reading import read_capture\n"
        "for path in sys.argv[1:]: read_capture(path)\n"
        "print(*sorted({name.partition('.')[0] for name in sys.modules}))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(sound), str(broken)], capture_output=True, text=True, check=True
    )
    loaded = set(done.stdout.split())
    assert "pyarrow" in loaded
    assert not loaded & {"pandas", "polars", "scipy", "matplotlib", "jinja2", "rich", "click", "tomllib"}


def test_a_sound_log_needs_no_compute_functions(tmp_path: Path) -> None:
    path = tmp_path / "sound.csv"
    path.write_bytes(LOG)
    code = (
        "import sys; from frametime.adapters.reading import read_capture; read_capture(sys.argv[1]);"
        "print('pyarrow.compute' in sys.modules, 'importlib.metadata' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "False"]


def test_a_late_byte_that_is_no_utf8() -> None:
    text = b"App,frame (ms)\n" + b"game,16.5\ngame,16.75\n" * 10_000 + b"caf\xe9,16.5\n" * 10
    capture = read_capture(io.BytesIO(text), options=ReadOptions(stream="café"))
    assert capture.n_frames == 10
    assert Layout.from_toml(capture.provenance.layout_toml, "found").encoding == "cp1252"


def test_a_late_cell_of_another_kind() -> None:
    """Whole numbers in the first 64 KiB, decimals and a missing cell after them."""
    cells = [b"16000"] * 30_000 + [b"16000.5"] * 50 + [b"NA"] + [b"17000"] * 10
    capture = read_capture(io.BytesIO(b"frame (us)\n" + b"\n".join(cells) + b"\n"))
    steps = capture.frames["timestamp_ns"]
    assert capture.n_frames == 30_060
    assert steps[30_001].as_py() - steps[30_000].as_py() == 16_000_500
    assert capture.provenance.rejected_rows[0].line == 30_052


@pytest.mark.parametrize("word", ["NA", "nan", "null"])
def test_a_missing_time_where_the_level_changes_is_no_second_table(word: str) -> None:
    log = "\n".join(["frame_time_ms", *["4.0"] * 40, word, *["10.0"] * 40, ""])
    capture = read_capture(io.BytesIO(log.encode()))
    assert capture.n_frames == 80
    assert [row.line for row in capture.provenance.rejected_rows] == [42]
    assert "second-table" not in [caveat.code for caveat in capture.caveats]


def test_a_second_table_far_below_the_head() -> None:
    frames = b"frame (ms)\n" + b"16.5\n16.75\n" * 10_000
    capture = read_capture(io.BytesIO(frames + b"\npower (W)\n" + b"300\n" * 5000))
    assert capture.n_frames == 20_000
    assert "second-table" in [caveat.code for caveat in capture.caveats]


def test_line_ends_that_change_and_a_large_cr_only_file() -> None:
    for end in (b"\r", b"\r\n"):
        content = b"frame (ms)" + end + (b"16.5" + end) * 200_000
        assert read_capture(io.BytesIO(content)).n_frames == 200_000


def test_columns_of_the_log_that_are_left_can_be_fetched_row_by_row() -> None:
    from frametime.adapters.frames.frame_log import FrameLogAdapter

    lines = ["frame (ms),note", *(f"{16 + i % 3}.5,n{i}" for i in range(30))]
    lines[5] = "bad,x"
    lines.insert(9, "frame (ms),note")
    parsed = FrameLogAdapter().parse(io.BytesIO("\n".join(lines).encode()), ReadOptions())
    assert [column.name for column in parsed.other_columns] == ["note"]
    assert parsed.read_columns is not None
    notes = parsed.read_columns(["note"])["note"].to_pylist()
    assert notes == [None, *(f"n{i}" for i in range(30) if i != 4)]
    assert parsed.frames.num_rows == len(notes)


def test_lines_are_counted_over_many_blocks() -> None:
    cells = [b"16.5"] * 700_000
    cells[650_000] = b"?"
    capture = read_capture(io.BytesIO(b"frame (ms)\r\n" + b"\r\n".join(cells) + b"\r\n"))
    assert [row.line for row in capture.provenance.rejected_rows] == [650_002]


def test_a_stream_that_is_held_is_not_read_from_two_sides() -> None:
    with opened_log(io.BytesIO(LOG), ReadOptions(), use_threads=True) as opened:
        with part_of(opened.stored, 0, opened.stored.size) as again:
            assert again.read() == LOG
        opened.log.seek(0)
        assert opened.log.read() == LOG


def test_dates_are_moved_to_zero_and_their_zone_is_kept() -> None:
    def log(zone: str) -> io.BytesIO:
        return io.BytesIO("".join(["when\n", *(f"2026-01-02T03:04:{i:02d}.5{zone}\n" for i in range(30))]).encode())

    zoned = read_capture(log("+01:00"))
    assert zoned.frames["timestamp_ns"].to_pylist() == [i * 10**9 for i in range(30)]
    assert zoned.provenance.recorded_from_utc == "2026-01-02T02:04:00.500000000Z"
    local = read_capture(log(""))
    assert local.frames["timestamp_ns"].to_pylist() == [i * 10**9 for i in range(30)]
    assert local.provenance.recorded_from_utc is None
    assert local.provenance.metadata["recorded_from_local"] == "2026-01-02T03:04:00.500000000"


def test_simulation_times_move_with_absolute_timestamps() -> None:
    start = 1_790_000_000_000_000
    lines = ["finished_us,start_us", *(f"{start + i * 16_500},{start + i * 16_500 - 9000}" for i in range(30))]
    frames = read_capture(io.BytesIO("\n".join(lines).encode())).frames
    assert frames["timestamp_ns"].to_pylist() == [i * 16_500_000 for i in range(30)]
    assert frames["simulation_start_ns"].to_pylist() == [i * 16_500_000 - 9_000_000 for i in range(30)]


def test_a_told_encoding_beats_the_mark() -> None:
    """The byte 0xB5 is a micro sign in Windows-1252 (its code page at unicode.org), and no UTF-8."""
    content = b"\xef\xbb\xbfframe time (\xb5s)\n" + b"16600\n" * 9
    with pytest.raises(ReadError, match="the text is said or marked to be UTF-8, and is not"):
        read_capture(io.BytesIO(content), options=ReadOptions(layout=Layout(encoding="utf-8")))
    capture = read_capture(io.BytesIO(content), options=ReadOptions(layout=Layout(encoding="cp1252")))
    assert capture.frames["timestamp_ns"][1].as_py() == 16_600_000


def test_a_broken_value_inside_a_json_list_of_one_line_is_no_cut_off_end() -> None:
    values = [f'{{"frame_time_ms": {16 + i % 3}.5}}' for i in range(200)]
    values[100] = '{"frame_time_ms": oops}'
    with pytest.raises(ReadError, match="this is no JSON object"):
        read_capture(io.BytesIO(f"[{','.join(values)}]".encode()))


def test_of_two_runs_in_one_json_object_none_is_chosen() -> None:
    def text(names: str) -> bytes:
        return json.dumps({name: [{"frame_time_ms": 8.5 + i % 3} for i in range(300)] for name in names}).encode()

    assert read_capture(io.BytesIO(text("a"))).n_frames == 300
    with pytest.raises(ReadError):
        read_capture(io.BytesIO(text("ab")))


@pytest.mark.parametrize("beside", [{"settings": {}}, {"plan": {"charts": {}}}, {"none": {"runs": []}}])
def test_an_empty_object_in_json_costs_no_frames(beside: dict[str, object]) -> None:
    frames = [{"frame_time_ms": 8.5 + i % 3} for i in range(300)]
    assert read_capture(io.BytesIO(json.dumps({**beside, "frames": frames}).encode())).n_frames == 300
    with pytest.raises(ReadError, match="no rows of numbers were found"):
        read_capture(io.BytesIO(json.dumps(beside).encode()))


def test_a_broken_json_line_is_named_and_a_cut_last_one_left_out() -> None:
    lines = [f'{{"frame_time_ms": {16 + i % 3}.5}}' for i in range(200)]
    cut = "\n".join([*lines, lines[0][:9]])
    assert read_capture(io.BytesIO(cut.encode())).n_frames == 200
    lines[198] = lines[198][:9]
    with pytest.raises(ReadError, match="line 199: this is no JSON object"):
        read_capture(io.BytesIO("\n".join([*lines, ""]).encode()))


@pytest.mark.parametrize("indent", [None, 1])
def test_a_list_of_json_objects_that_is_cut_off_is_read_to_its_last_whole_one(indent: int | None) -> None:
    objects = [{"frame_time_ms": 16.5 + i % 3} for i in range(200)]
    text = json.dumps(objects, indent=indent)
    whole = read_capture(io.BytesIO(text.encode()))
    cut = read_capture(io.BytesIO(text[: text.rindex("}") - 2].encode()))
    assert (cut.n_frames, cut.frames) == (199, whole.frames.slice(0, 200))
    assert [(c.code, "('{" in c.message) for c in cut.caveats] == [("cut-last-line", True)]
    # Between two objects nothing is lost.
    between = read_capture(io.BytesIO(text[: text.rindex(",") + 1].encode()))
    assert (between.n_frames, between.caveats) == (199, ())


@pytest.mark.parametrize("text", ['[{"frame_ms": 1', '{"frame_ms": 1', '[{"frame_ms": 16.5}, {"frame_ms": 1'])
def test_json_that_ends_before_its_second_object_is_told_to_end_early(text: str) -> None:
    with pytest.raises(ReadError, match=f"it ends within a JSON object, after {text.count('}')} whole"):
        read_capture(io.BytesIO(text.encode()))


def test_json_lines_of_which_the_first_hundred_hold_a_cut_one_are_read() -> None:
    lines = [f'{{"frame_time_ms": {16 + i % 3}.5}}' for i in range(50)]
    capture = read_capture(io.BytesIO("\n".join([*lines, lines[0][:9]]).encode()))
    assert (capture.n_frames, [c.code for c in capture.caveats]) == (50, ["cut-last-line"])


@pytest.mark.parametrize("mark", ["% name: ", "# Columns: ", "// fields:", "% "])
def test_names_may_stand_behind_a_mark_of_comments_and_a_word(mark: str) -> None:
    text = f"{mark}dt (ms)\n" + "".join(f"{16.5 + i % 3}\n" for i in range(20))
    capture = read_capture(io.BytesIO(text.encode()))
    assert (capture.n_frames, capture.caveats) == (20, ())
    assert 'time_column = "dt (ms)"' in capture.provenance.layout_toml


def test_a_member_that_comes_late_in_json_lines_is_read() -> None:
    """JSON Lines (jsonlines.org): each line is a value of its own, so objects need not have the same members."""
    rows = [{"frame_time_ms": 16.5 + i % 3} | ({"shown": i != 180} if i >= 150 else {}) for i in range(200)]
    content = "".join(json.dumps(row) + "\n" for row in rows)
    shown = read_capture(io.BytesIO(content.encode())).frames["shown"].to_pylist()
    assert shown == [None] * 151 + [i != 180 for i in range(150, 200)]


@pytest.mark.parametrize("form", ["null in JSON lines", "empty in delimited text"])
def test_a_column_whose_first_cells_are_empty_is_read(form: str) -> None:
    work: list[float | None] = [None if i < 150 else 8.5 for i in range(400)]
    if form == "null in JSON lines":
        rows = [json.dumps({"frame_time_ms": 16.5 + i % 3, "gpu_work_ms": each}) for i, each in enumerate(work)]
    else:
        rows = ["frame_time_ms,gpu_work_ms", *(f"{16.5 + i % 3},{each or ''}" for i, each in enumerate(work))]
    capture = read_capture(io.BytesIO("\n".join([*rows, ""]).encode()))
    assert capture.frames["gpu_work_ns"].to_pylist() == [None] * 151 + [8_500_000] * 250


def test_a_text_of_several_lines_within_json_is_one_cell() -> None:
    """In a log of more than the block of 1 MiB that is parsed at a time: one begins within such a text."""
    note = '"note": "' + "\\n".join(["1,2,3"] * 300) + '"'
    lines = [f'{{"frame_time_ms": {16 + i % 3}.5, {note}}}' for i in range(3000)]
    capture = read_capture(io.BytesIO("\n".join([*lines, ""]).encode()))
    assert (capture.n_frames, capture.caveats) == (3000, ())
