"""Which column is the time: chosen by name, unit and content, with the evidence, or refused with what settles it."""

from __future__ import annotations

import io
import re
from itertools import accumulate, pairwise

import numpy as np
import pytest

from frametime.adapters.base import ReadOptions
from frametime.adapters.columns.column_facts import plain_numbers
from frametime.adapters.columns.layout import Layout
from frametime.adapters.reading import read_capture
from frametime.adapters.text.cells import NumberStyle
from frametime.capture import Capture
from frametime.caveats import Weight
from frametime.errors import ReadError

FRAMES_US = [16_000 + (i * 7919) % 3000 for i in range(64)]
STAMPS_US = list(accumulate(FRAMES_US))


def log(columns: dict[str, list[str]], delimiter: str = ",") -> io.BytesIO:
    lines = [delimiter.join(columns), *(delimiter.join(row) for row in zip(*columns.values(), strict=True))]
    return io.BytesIO(("\n".join(lines) + "\n").encode())


def read(columns: dict[str, list[str]], options: ReadOptions | None = None) -> Capture:
    return read_capture(log(columns), options=options or ReadOptions())


def layout_of(capture: Capture) -> Layout:
    return Layout.from_toml(capture.provenance.layout_toml, "found")


def us(values: list[int], shift: int = 0) -> list[str]:
    return [str(value + shift) for value in values]


def ms(values: list[int]) -> list[str]:
    return [f"{value // 1000}.{value % 1000:03d}" for value in values]


def steps_us(capture: Capture) -> list[int]:
    stamps = capture.frames["timestamp_ns"].to_pylist()
    return [(b - a) // 1000 for a, b in pairwise(stamps)]


def test_the_end_of_a_frame_comes_first() -> None:
    capture = read(
        {
            "frame": [str(i) for i in range(64)],
            "start_us": us(STAMPS_US, -20_000),
            "submitted_us": us(STAMPS_US, -12_000),
            "finished_us": us(STAMPS_US),
            "gpu_work_us": us(FRAMES_US, -3000),
        }
    )
    assert capture.frames.column_names == ["timestamp_ns", "simulation_start_ns", "gpu_work_ns"]
    assert capture.frames["timestamp_ns"].to_pylist() == [value * 1000 for value in STAMPS_US]
    assert capture.frames["simulation_start_ns"].to_pylist() == [(value - 20_000) * 1000 for value in STAMPS_US]
    assert capture.frames["gpu_work_ns"].to_pylist() == [(value - 3000) * 1000 for value in FRAMES_US]
    assert any("preferred over 'start_us', 'submitted_us'" in sentence for sentence in capture.provenance.evidence)
    assert capture.caveats == ()


def test_display_times_beside_frame_ends() -> None:
    capture = read({"end_us": us(STAMPS_US), "displayed_us": us(STAMPS_US, 9000)})
    assert layout_of(capture).time_column == "end_us"
    assert capture.frames["displayed_ns"].to_pylist() == [(value + 9000) * 1000 for value in STAMPS_US]


def test_a_timestamp_and_a_frame_time_give_a_frame_for_each_row() -> None:
    capture = read({"time (ms)": ms(STAMPS_US), "frame time (ms)": ms(FRAMES_US)})
    assert steps_us(capture) == FRAMES_US
    assert capture.frames["timestamp_ns"][0].as_py() == 0
    assert any("agree in all rows" in sentence for sentence in capture.provenance.evidence)


def test_a_time_that_marks_the_start_of_a_frame() -> None:
    starts = [0, *STAMPS_US[:-1]]
    capture = read({"time (ms)": ms(starts), "frame time (ms)": ms(FRAMES_US)})
    assert steps_us(capture) == FRAMES_US
    assert capture.frames["timestamp_ns"][0].as_py() == 0
    assert any("marks the start of a frame" in sentence for sentence in capture.provenance.evidence)


def test_finer_timestamps_give_the_differences() -> None:
    rounded = [f"{value / 1000:.1f}" for value in FRAMES_US]
    capture = read({"time (ms)": ms(STAMPS_US), "frame time (ms)": rounded})
    assert steps_us(capture)[1:] == FRAMES_US[1:]
    assert any("written more finely" in sentence for sentence in capture.provenance.evidence)


def test_columns_that_disagree_are_refused_with_the_numbers() -> None:
    doubled = [value * 2 for value in FRAMES_US]
    with pytest.raises(
        ReadError, match=r"in 2 ways that differ; .*kind timestamp  \(57.03 fps .*kind frame-time  \(28.55 fps"
    ):
        read({"time (ms)": ms(STAMPS_US), "frame time (ms)": ms(doubled)})


def test_a_few_rows_that_disagree_are_a_caveat() -> None:
    stamps = [value + (5000 if i >= 30 else 0) for i, value in enumerate(STAMPS_US)]
    capture = read({"time (ms)": ms(stamps), "frame time (ms)": ms(FRAMES_US)})
    assert [caveat.code for caveat in capture.caveats] == ["time-columns-differ"]
    assert "line 32" in capture.caveats[0].message
    assert steps_us(capture) == FRAMES_US


def test_time_alone_is_settled_by_its_numbers() -> None:
    assert layout_of(read({"time (ms)": ms(STAMPS_US)})).kind == "timestamp"
    assert layout_of(read({"time (ms)": ms(FRAMES_US)})).kind == "frame time"


@pytest.mark.parametrize(
    ("name", "values"),
    [
        ("time (ms)", STAMPS_US[:4]),
        ("frame time (ms)", STAMPS_US),
    ],
)
def test_two_readings_that_fit_are_refused(name: str, values: list[int]) -> None:
    with pytest.raises(ReadError) as caught:
        read({name: ms(values)})
    assert {"timestamp", "frame-time"} == set(re.findall(r"--kind ([a-z-]+)  \(", str(caught.value)))
    for kind, n_frames in (("timestamp", len(values) - 1), ("frame time", len(values))):
        layout = Layout(time_column=name, unit="ms", kind=kind)
        assert read({name: ms(values)}, ReadOptions(layout=layout)).n_frames == n_frames


def test_lengths_that_rise_by_less_than_a_frame_are_no_clock() -> None:
    slow = [16_000 + i for i in range(16)]
    assert steps_us(read({"time (ms)": ms(slow)})) == slow


@pytest.mark.parametrize("step", [1, -1])
@pytest.mark.parametrize("name", ["frame time (ms)", "frame_time_ms"])
def test_a_sorted_list_of_lengths_is_refused(name: str, step: int) -> None:
    with pytest.raises(ReadError, match="its numbers go one way only, as in a sorted list"):
        read({name: ms(sorted(FRAMES_US)[::step])})


def test_days_of_a_spreadsheet_are_not_taken_for_lengths_of_frames() -> None:
    days = [f"{46354.8 + us / 86_400e6:.10f}" for us in STAMPS_US]
    with pytest.raises(ReadError, match="no column says that it is a time of whole frames"):
        read({"time": days, "frame": [str(i) for i in range(len(days))]})


def test_the_newest_row_may_stand_first() -> None:
    newest_first = us(STAMPS_US[::-1])
    for options in (ReadOptions(), ReadOptions(sort=True)):
        capture = read({"time_us": newest_first}, options)
        assert steps_us(capture) == FRAMES_US[1:]
        assert [(caveat.code, caveat.weight) for caveat in capture.caveats] == [("rows-sorted", Weight.NOTE)]
    one_late = [*newest_first[:-2], newest_first[-1], newest_first[-2]]
    with pytest.raises(ReadError, match=r"time runs backwards by .*; put the rows in order of time:  frametime check"):
        read({"time_us": one_late})


def test_what_goes_up_and_down_is_not_to_be_sorted() -> None:
    """Sorted, the times of one stage of the work would lie a thousandth of a frame apart."""
    stage = [f"{4 + (i * 37 % 101) / 50:.3f}" for i in range(600)]
    with pytest.raises(ReadError, match="it may be no time: --time-column names another") as caught:
        read({"frame": [str(i) for i in range(600)], "sim_ms": stage, "draw_ms": stage[::-1]})
    assert "--sort" not in str(caught.value)


LISTS_OF_TIMES = {
    "a line": "frame_ms, {0}\n",
    "lines": "frame;{1}\nframe time (ms);{2}\ngpu work (ms);{2}\n",
    "brackets": "const frame_ms = [{0}];\n",
    "spaces in brackets": "t = [{3}\n];\nframe_ms = [{4}];\n",
    "of a function": "frame_ms <- c({0})\n",
    "beside the count of those above": "{5}",
    "decimal commas": "frame_ms = [{6}]\n",
}


@pytest.mark.parametrize("form", LISTS_OF_TIMES)
def test_lists_of_times_are_columns(form: str) -> None:
    """Each number of a line was taken for a column, and such a log was refused; of the last one a tenth was read."""
    lengths = [16_000 + 331 * i % 900 for i in range(500)]
    times, ends = ms(lengths), [f"{end / 1e6:.6f}" for end in accumulate(lengths)]
    printed = [f" [{at + 1}] {' '.join(times[at : at + 10])}" for at in range(0, 500, 10)]
    cells = ", ".join(times), ";".join(map(str, range(500))), ";".join(times), " ".join(ends), " ".join(times)
    content = LISTS_OF_TIMES[form].format(*cells, "\n".join([*printed, ""]), " ".join(times).replace(".", ","))
    assert steps_us(read_capture(io.BytesIO(content.encode()))) == lengths


@pytest.mark.parametrize("content", ["{0}\n{0}\n", "a = [{0}]\na = [{0}]\n", "a = [{0}", "a = [[{0}], [{0}]]\n"])
def test_lists_that_no_name_tells_apart_or_that_are_cut_are_refused(content: str) -> None:
    times = ", ".join(ms([16_000 + 331 * i % 900 for i in range(500)]))
    with pytest.raises(ReadError):
        read_capture(io.BytesIO(content.format(times).encode()))


@pytest.mark.parametrize("row", ["[{}]", '{{"scene": "lake", "frame_ms": [{}]}}'])
def test_a_list_of_times_in_one_line_of_json_is_a_column(row: str) -> None:
    times = ms([16_000 + 331 * i % 900 for i in range(500)])
    capture = read_capture(io.BytesIO(row.format(", ".join(times)).encode() + b"\n"))
    assert steps_us(capture) == [16_000 + 331 * i % 900 for i in range(500)]


def test_two_timestamps_of_one_rank_that_differ_are_refused() -> None:
    other = [value * 2 for value in STAMPS_US]
    with pytest.raises(ReadError) as caught:
        read({"end_us": us(STAMPS_US), "finished_us": us(other)})
    text = str(caught.value)
    assert "--time-column end_us --unit us --kind timestamp" in text
    assert "--time-column finished_us --unit us --kind timestamp" in text


def test_two_timestamps_that_agree_take_the_finer() -> None:
    capture = read({"elapsed (ms)": [str(v // 1000) for v in STAMPS_US], "timestamp_us": us(STAMPS_US, 10**9)})
    assert layout_of(capture).time_column == "timestamp_us"


def test_an_unstated_unit_is_the_only_one_that_can_be() -> None:
    capture = read({"frame time": us(FRAMES_US)})
    assert steps_us(capture) == FRAMES_US
    assert [(caveat.code, caveat.weight) for caveat in capture.caveats] == [("reading-inferred", Weight.NOTE)]
    assert "in us, the only reading in which frames last 0.2 ms to 1 s (57.11 fps" in capture.caveats[0].message
    assert steps_us(read({"frame time": us(FRAMES_US)}, ReadOptions(unit="us"))) == FRAMES_US


def test_options_win_over_the_layout_and_the_layout_over_the_log() -> None:
    columns = {"frame time (ms)": ms(FRAMES_US), "other": us(STAMPS_US)}
    by_layout = ReadOptions(layout=Layout(time_column="other", unit="us", kind="timestamp"))
    assert read(columns, by_layout).n_frames == 63
    by_option = ReadOptions(layout=Layout(time_column="other", unit="us"), time_column="frame time (ms)", unit="s")
    assert steps_us(read(columns, by_option)) == [value * 1000 for value in FRAMES_US]


def test_a_column_that_is_not_there() -> None:
    with pytest.raises(ReadError, match="there is no column 'frame tme'; did you mean 'frame time'"):
        read({"frame time": us(FRAMES_US)}, ReadOptions(time_column="frame tme", unit="us"))
    with pytest.raises(ReadError, match=r"time_column is 3, and rows have 1 column$"):
        read({"frame time": us(FRAMES_US)}, ReadOptions(time_column=3, unit="us"))


def test_the_busiest_application_is_read_with_a_caveat() -> None:
    names = ["game" if i % 4 else "overlay" for i in range(64)]
    capture = read({"Application": names, "frame time (us)": us(FRAMES_US)})
    assert steps_us(capture) == [value for value, name in zip(FRAMES_US, names, strict=True) if name == "game"]
    assert [caveat.code for caveat in capture.caveats] == ["several-streams"]
    assert "'game' (48), 'overlay' (16)" in capture.caveats[0].message
    chosen = read({"Application": names, "frame time (us)": us(FRAMES_US)}, ReadOptions(stream="Overlay"))
    assert chosen.n_frames == 16
    assert chosen.caveats == ()
    with pytest.raises(ReadError, match="there is no stream 'editor'; streams and rows: 'game'"):
        read({"Application": names, "frame time (us)": us(FRAMES_US)}, ReadOptions(stream="editor"))


@pytest.mark.parametrize(("yes", "no"), [("1", "0"), ("true", "false"), ("Yes", "No")])
def test_shown_and_dropped(yes: str, no: str) -> None:
    for name, word in (("shown", no), ("dropped", yes)):
        flags = [word if i == 5 else (yes if word == no else no) for i in range(64)]
        capture = read({"frame time (us)": us(FRAMES_US), name: flags})
        shown = capture.frames["shown"].to_pylist()
        assert shown == [None, *(i != 5 for i in range(64))]


def test_missing_cells_of_other_columns_are_null() -> None:
    work = us(FRAMES_US)
    work[7] = "NA"
    capture = read({"frame time (us)": us(FRAMES_US), "gpu work (us)": work})
    assert capture.frames["gpu_work_ns"].to_pylist()[8] is None
    assert capture.frames["gpu_work_ns"].null_count == 2
    assert capture.caveats == ()


def test_a_rate_is_turned_into_frame_times() -> None:
    capture = read({"fps": [f"{1e6 / value:.9f}" for value in FRAMES_US]})
    assert steps_us(capture) == pytest.approx(FRAMES_US, abs=1)
    assert layout_of(capture).unit == "fps"


def test_thousands_or_decimal_comma_by_what_frames_can_be() -> None:
    grouped = [f'"{value // 1000},{value % 1000:03d}"' for value in FRAMES_US]
    assert steps_us(read({"frame time (us)": grouped})) == FRAMES_US
    assert steps_us(read({"frame time (ms)": grouped})) == FRAMES_US
    with pytest.raises(ReadError, match=r"a decimal comma or with commas between thousands; .*--decimal , "):
        read({"frame time (us)": [f'"300,{100 + i * 37 % 64:03d}"' for i in range(64)]})


def test_a_date_in_whole_seconds_beside_frame_times() -> None:
    dates = [f"2026-01-02 03:04:{5 + stamp // 1_000_000:02d}" for stamp in STAMPS_US]
    capture = read({"date": dates, "frame time (us)": us(FRAMES_US)})
    assert steps_us(capture) == FRAMES_US
    assert capture.caveats == ()


def test_evidence_stands_beside_each_line_of_the_printed_layout() -> None:
    printed = read({"time (ms)": ms(STAMPS_US), "frame time (ms)": ms(FRAMES_US)}).provenance.layout_toml
    lines = [
        line for line in printed.splitlines() if line.startswith(("time_column", "unit", "delimiter", "header_line"))
    ]
    assert len(lines) == 4
    assert all("  # " in line for line in lines)


STAMPS = {"time (ms)": ms(STAMPS_US), "frame time (ms)": ms(FRAMES_US)}
LENGTHS = ms([value // 4 for value in FRAMES_US])


def codes_of(capture: Capture) -> list[str]:
    return [caveat.code for caveat in capture.caveats]


@pytest.mark.parametrize("name", ["simulation time (ms)", "display time (ms)", "vblank (ms)", "render start (ms)"])
def test_lengths_of_time_are_no_moments_whatever_their_name(name: str) -> None:
    capture = read({**STAMPS, name: LENGTHS})
    assert capture.frames.column_names == ["timestamp_ns"]
    assert codes_of(capture) == ["column-not-used"]
    assert name in capture.caveats[0].message


def test_lengths_that_rise_are_no_moments_either() -> None:
    rising = ms([3000 + 10 * i for i in range(64)])
    capture = read({**STAMPS, "simulation time (ms)": rising})
    assert capture.frames.column_names == ["timestamp_ns"]
    assert codes_of(capture) == ["column-not-used"]


@pytest.mark.parametrize("name", ["present time (ms)", "GPU render end (ms)"])
def test_lengths_give_way_to_timestamps(name: str) -> None:
    assert steps_us(read({**STAMPS, name: LENGTHS})) == FRAMES_US


@pytest.mark.parametrize("name", ["present time (ms)", "time (ms)"])
def test_lengths_beside_frame_times_are_no_clock(name: str) -> None:
    capture = read({name: ms([6000 + value % 700 for value in FRAMES_US]), "frame time (us)": us(FRAMES_US)})
    assert steps_us(capture) == FRAMES_US
    assert codes_of(capture) == ["column-not-used"]
    assert f"'{name}' goes up and down" in capture.caveats[0].message


def test_rows_out_of_order_beside_frame_times_are_not_taken_for_lengths() -> None:
    order = sorted(range(64), key=lambda i: i * 37 % 64)
    columns = {name: [cells[i] for i in order] for name, cells in STAMPS.items()}
    with pytest.raises(ReadError, match="time runs backwards"):
        read(columns)
    assert steps_us(read(columns, ReadOptions(sort=True))) == FRAMES_US


def test_a_time_that_cannot_be_read_beside_a_frame_time_is_told() -> None:
    stamps = [*STAMPS["time (ms)"][:40], "?", *STAMPS["time (ms)"][41:]]
    capture = read({**STAMPS, "time (ms)": stamps})
    assert steps_us(capture) == FRAMES_US
    assert codes_of(capture) == ["time-cells-unread"]
    assert "In 1 of 64 rows the time cannot be read (first in line 42)" in capture.caveats[0].message


@pytest.mark.parametrize("cells", [["0", "2"], ["0", "17"], ["late", "shown"]])
def test_a_count_or_a_word_is_no_yes_and_no(cells: list[str]) -> None:
    capture = read({**STAMPS, "dropped frames": [cells[i % 5 == 0] for i in range(64)]})
    assert "shown" not in capture.frames.column_names
    assert codes_of(capture) == ["column-not-used"]


def test_yes_and_no_may_be_floating_point_numbers() -> None:
    capture = read({**STAMPS, "dropped": [f"{float(i % 5 == 0)}" for i in range(64)]})
    assert capture.frames["shown"].to_pylist()[1:] == [i % 5 != 0 for i in range(64)]


@pytest.mark.parametrize("name", ["time (s)", "time", "elapsed"])
def test_a_log_with_one_row_a_second_is_no_frame_log(name: str) -> None:
    with pytest.raises(ReadError, match=r"rows come 1 s apart in '.*', and 'fps' tells of many frames in between"):
        read({name: [str(i) for i in range(64)], "fps": [f"{60 + i % 7}.5" for i in range(64)]})


def test_rates_that_fit_the_times_are_read_over() -> None:
    rates = [f"{1e6 / value:.2f}" for value in FRAMES_US]
    assert steps_us(read({"time (ms)": ms(STAMPS_US), "fps": rates})) == FRAMES_US[1:]
    assert steps_us(read({"time": ms(STAMPS_US), "fps": rates})) == FRAMES_US[1:]


def test_rates_with_few_digits_are_told() -> None:
    whole = read({"fps": [f"{1e6 / value:.0f}" for value in FRAMES_US]})
    assert codes_of(whole) == ["coarse-rates"]
    assert "steps of 1 fps, which is 1.8 % of the usual 57 fps" in whole.caveats[0].message
    assert codes_of(read({"fps": [f"{1e6 / value:.1f}" for value in FRAMES_US]})) == []
    commas = {"n": us(list(range(64))), "fps": [f"{1e6 / value:.1f}".replace(".", ",") for value in FRAMES_US]}
    assert codes_of(read_capture(log(commas, ";"), options=ReadOptions())) == []
    # A point is no decimal mark among commas: such a cell holds no number.
    assert np.array_equal(plain_numbers(("1,5", "1.5"), NumberStyle(",", "")), [1.5, np.nan], equal_nan=True)


def test_a_single_high_rate_does_not_hide_that_the_others_are_coarse() -> None:
    # A step of 1 is 1.8 % of the usual 57 fps, and 0.1 % of the one second in a menu.
    rates = [f"{1e6 / value:.0f}" for value in FRAMES_US]
    rates[5] = "1000"
    capture = read({"fps": rates})
    assert codes_of(capture) == ["coarse-rates"]
    assert "1.8 % of the usual 57 fps" in capture.caveats[0].message


def test_minutes_in_brackets_are_a_unit() -> None:
    stamps = [f"{value / 60e6:.12f}" for value in STAMPS_US]
    assert steps_us(read({"elapsed (min)": stamps})) == FRAMES_US[1:]


@pytest.mark.parametrize(("name", "yes"), [("shown", "1"), ("dropped", "0")])
def test_a_word_that_says_neither_shown_nor_dropped_is_told(name: str, yes: str) -> None:
    """Far from the first and last rows, by which the column is chosen."""
    cells = [yes] * 400
    cells[200] = "late"
    capture = read({"time (ms)": [str(10 * i) for i in range(400)], name: cells})
    assert codes_of(capture) == ["shown-not-told"]
    assert re.match(r"1 of \d+ rows say neither yes nor no", capture.caveats[0].message)


def test_the_layout_says_why_a_unit_was_taken_that_no_column_states() -> None:
    alone = read({"frame time": ms(FRAMES_US)}).provenance.layout_toml
    assert 'unit = "ms"  # only in ms do frames last 0.2 ms to 1 s\n' in alone
    both = read({"timestamp": ms(STAMPS_US), "frame time": ms(FRAMES_US)}).provenance.layout_toml
    assert both.count("# only in ms do frames last 0.2 ms to 1 s\n") == 2


def short_of_a_name(header: str, *columns: list[str]) -> io.BytesIO:
    return io.BytesIO("".join(f"{line}\n" for line in [header, *map(",".join, zip(*columns, strict=True))]).encode())


LENGTHS_MS = [f"{us / 1000:.3f}" for us in FRAMES_US]
STAMPS_S = [f"{us / 1e6:.6f}" for us in STAMPS_US]
COUNT = [str(number) for number in range(1, 65)]
LOADS = [f"{40 + number % 7}" for number in range(64)]


@pytest.mark.parametrize(
    ("columns", "place"), [((COUNT, STAMPS_S, LENGTHS_MS), "first"), ((STAMPS_S, LENGTHS_MS, LOADS), "last")]
)
def test_a_header_that_lacks_a_name_is_read_in_the_one_way_that_fits(
    columns: tuple[list[str], ...], place: str
) -> None:
    """R writes tables so: a header with one field less leaves the first column without a name (`?read.table`)."""
    capture = read_capture(short_of_a_name("time,frame_ms", *columns))
    whole = read_capture(short_of_a_name("time (s),frame_ms", STAMPS_S, LENGTHS_MS))
    assert capture.frames == whole.frames
    told = [caveat for caveat in capture.caveats if caveat.code == "header-lacks-name"]
    assert [(f"the {place} column" in caveat.message, caveat.weight) for caveat in told] == [(True, Weight.CARE)]


@pytest.mark.parametrize(
    ("header", "columns"),
    [
        ("scene,frame_ms", (COUNT, LENGTHS_MS, LENGTHS_MS[::-1])),
        ("alpha,beta", (COUNT, STAMPS_S, LENGTHS_MS)),
        ("time,frame_ms", (COUNT, STAMPS_S, LENGTHS_MS, LOADS)),
    ],
)
def test_a_header_that_lacks_names_is_refused_where_several_ways_or_none_fit(
    header: str, columns: tuple[list[str], ...]
) -> None:
    with pytest.raises(ReadError, match=rf"line 1: 2 names, but {len(columns)} cells in the rows below"):
        read_capture(short_of_a_name(header, *columns))
