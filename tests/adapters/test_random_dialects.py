"""A known series of frames, written in a random dialect with one fault: right, right with a caveat, or refused."""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
from dataclasses import dataclass
from itertools import accumulate, pairwise

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from frametime.adapters.base import ReadOptions
from frametime.adapters.columns.layout import Layout
from frametime.adapters.reading import read_capture
from frametime.capture import TIME_COLUMN, Capture
from frametime.errors import ReadError

DIGITS = {"s": 9, "ms": 6, "us": 3, "ns": 0}
NAMES = {
    "frame time": ("FrameTime ({})", "frame_time_{}", "Frame duration [{}]", "frame time in {}", "delta_{}"),
    "timestamp": ("Time ({})", "elapsed_{}", "Timestamp [{}]", "frame_end_{}", "t_{}"),
}
FAULTS = (
    "none",
    "blank lines",
    "missing",
    "garbage",
    "negative",
    "row twice",
    "rows swapped",
    "cut last line",
    "short row",
    "long row",
    "header again",
    "footer",
    "zero bytes",
    "no last line end",
)
PACK = {"": bytes, "gzip": lambda raw: gzip.compress(raw, mtime=0), "bz2": bz2.compress, "xz": lzma.compress}


@dataclass(frozen=True)
class Written:
    """One log, and what is in it."""

    content: bytes
    frames_ns: tuple[int, ...]
    kind: str
    fault: str
    open_number: bool = False
    """Whether it ends in a frame time of which nothing says that it is whole."""


def decimal_text(ns: int, unit: str, mark: str) -> str:
    digits = DIGITS[unit]
    if not digits:
        return str(ns)
    whole, rest = divmod(ns, 10**digits)
    return f"{whole}{mark}{rest:0{digits}d}"


@st.composite
def logs(draw: st.DrawFn, faults: tuple[str, ...] = FAULTS) -> Written:  # noqa: PLR0912 - one branch for each fault
    n = draw(st.integers(24, 60))
    frames_ns = tuple(draw(st.lists(st.integers(2_000_000, 90_000_000), min_size=n, max_size=n)))
    kind = draw(st.sampled_from(["frame time", "timestamp", "both"]))
    delimiter = draw(st.sampled_from([",", ";", "\t", "|"]))
    quoted = draw(st.booleans())
    mark = "," if (delimiter != "," or quoted) and draw(st.booleans()) else "."
    units = [draw(st.sampled_from(list(DIGITS))) for _ in range(2)]
    if mark == ",":
        units = ["s" if unit == "ns" else unit for unit in units]
    units_row = draw(st.booleans())
    names = [draw(st.sampled_from(NAMES[what])) for what in ("timestamp", "frame time")]
    if units_row:
        titles = [
            name.replace("({})", "").replace("[{}]", "").replace(" in {}", "").replace("_{}", "").strip()
            for name in names
        ]
        titles = ["Time" if titles[0] == "t" else titles[0], titles[1]]
    else:
        titles = [name.format(unit) for name, unit in zip(names, units, strict=True)]
    start = draw(st.integers(0, 10**12))
    stamps = list(accumulate(frames_ns, initial=start))[1:]
    columns: dict[str, list[str]] = {}
    unit_cells: list[str] = []
    if draw(st.booleans()):
        columns["App"] = ["a game"] * n
        unit_cells.append("")
    if kind != "frame time":
        columns[titles[0]] = [decimal_text(stamp, units[0], mark) for stamp in stamps]
        unit_cells.append(f"[{units[0]}]")
    if kind != "timestamp":
        columns[titles[1]] = [decimal_text(frame, units[1], mark) for frame in frames_ns]
        unit_cells.append(f"[{units[1]}]")
    rows = [list(row) for row in zip(*columns.values(), strict=True)]
    fault = draw(st.sampled_from(faults))
    if fault in ("rows swapped", "row twice") and kind == "frame time":
        fault = "none"  # Frame times in another order, or one more of them, are another run: nothing in them says so.
    if fault == "short row" and len(columns) == 1:
        fault = "none"  # A blank line: many programs write one after every row.
    at = draw(st.integers(2, n - 3))
    target = len(columns) - 1
    if fault == "missing":
        blank_line = len(columns) == 1 and not quoted
        rows[at][target] = draw(st.sampled_from(["NA", "nan", "-"] if blank_line else ["", "NA", "nan", "-"]))
    elif fault == "garbage":
        rows[at][target] = "ERROR"
    elif fault == "negative":
        rows[at][target] = "-" + rows[at][target]
    elif fault == "row twice":
        rows.insert(at, rows[at])
    elif fault == "rows swapped":
        rows[at], rows[at + 1] = rows[at + 1], rows[at]
    elif fault == "short row":
        rows[at] = rows[at][:-1]
    elif fault == "long row":
        rows[at] = [*rows[at], "7"]
    header = list(columns)
    if fault == "header again":
        rows.insert(at, header)
    table = [header, *([unit_cells] if units_row else []), *rows]
    lines = [delimiter.join(f'"{cell}"' if quoted else cell for cell in row) for row in table]
    if fault == "blank lines":
        lines.insert(len(lines) - 3, "")
        lines.append("")
    elif fault == "footer":
        lines += ["", "Total frames" + delimiter + str(n)]
    lines = draw(st.sampled_from([[], ["# a bench", "# card: invented"], ["Machine: bench 1", ""]])) + lines
    end = draw(st.sampled_from(["\n", "\r\n", "\r"]))
    text = end.join(lines) + ("" if fault == "no last line end" else end)
    if fault == "cut last line":
        text = text.rstrip("\r\n")[: -draw(st.integers(1, 4))]
    encoding = draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"]))
    content = text.encode(encoding) + (b"\0" * 256 if fault == "zero bytes" else b"")
    pack = PACK[draw(st.sampled_from(list(PACK)))]
    open_number = fault == "no last line end" and kind == "frame time" and not quoted and not DIGITS[units[1]]
    return Written(content=pack(content), frames_ns=frames_ns, kind=kind, fault=fault, open_number=open_number)


def steps_of(capture: Capture) -> list[int]:
    stamps = capture.frames[TIME_COLUMN].to_pylist()
    return [b - a for a, b in pairwise(stamps)]


def is_part(found: list[int], truth: list[int]) -> bool:
    """Whether ``found`` is ``truth`` with some frames left out, in the same order."""
    rest = iter(truth)
    return all(frame in rest for frame in found)


QUIET = settings(max_examples=80, deadline=None, suppress_health_check=list(HealthCheck))


@QUIET
@given(logs(faults=("none", "blank lines", "no last line end")))
def test_sound_logs_are_read_without_a_word(log: Written) -> None:
    capture = read_capture(io.BytesIO(log.content))
    truth = list(log.frames_ns)
    if log.open_number:
        assert steps_of(capture) == truth[:-1]
        assert [caveat.code for caveat in capture.caveats] == ["cut-last-line"]
    else:
        assert steps_of(capture) == (truth[1:] if log.kind == "timestamp" else truth)
        assert capture.caveats == ()


@QUIET
@given(logs())
def test_a_fault_is_never_silent(log: Written) -> None:
    try:
        capture = read_capture(io.BytesIO(log.content), options=ReadOptions(max_rejected_fraction=0.2))
    except ReadError:
        assert log.fault not in ("none", "blank lines", "no last line end")
        return
    truth = list(log.frames_ns)
    found = steps_of(capture)
    if not capture.caveats:
        assert found == (truth[1:] if log.kind == "timestamp" else truth)
        return
    assert is_part(found, truth)
    assert len(found) >= len(log.frames_ns) - 4


@QUIET
@given(logs())
def test_the_printed_layout_reads_the_same(log: Written) -> None:
    options = ReadOptions(max_rejected_fraction=0.2)
    try:
        capture = read_capture(io.BytesIO(log.content), options=options)
    except ReadError:
        return
    layout = Layout.from_toml(capture.provenance.layout_toml, "printed")
    again = read_capture(io.BytesIO(log.content), options=ReadOptions(max_rejected_fraction=0.2, layout=layout))
    assert again.frames.equals(capture.frames)
    assert again.caveats == capture.caveats
    assert again.provenance.rejected_rows == capture.provenance.rejected_rows
