"""Readers of others: found by entry point, only when needed; two that claim a log, and one that is broken."""

from __future__ import annotations

import importlib.metadata
import io
from pathlib import Path
from typing import BinaryIO

import pyarrow as pa
import pytest

from frametime.adapters.arrow.arrow_file import ArrowFileAdapter
from frametime.adapters.base import Adapter, ParsedLog, ReadOptions
from frametime.adapters.frames.frame_log import FrameLogAdapter
from frametime.adapters.reading import read_capture
from frametime.errors import ReadError

MAGIC = b"\x01BENCH\x02"
DATA = Path(__file__).parent / "data"


class BenchAdapter:
    """A binary log: a magic word, then frame times as 4-byte whole numbers of microseconds."""

    name = "bench"

    def recognizes(self, head: bytes) -> bool:
        return head.startswith(MAGIC)

    def parse(self, log: BinaryIO, options: ReadOptions) -> ParsedLog:
        raw = log.read()[len(MAGIC) :]
        stamps = [0]
        for i in range(0, len(raw), 4):
            stamps.append(stamps[-1] + int.from_bytes(raw[i : i + 4], "little") * 1000)
        frames = pa.table({"timestamp_ns": pa.array(stamps, pa.int64())})
        return ParsedLog(frames=frames, rows_read=len(stamps) - 1)


class GreedyAdapter(BenchAdapter):
    """Claims the same logs."""

    name = "greedy"


class Entry:
    def __init__(self, name: str, made: object) -> None:
        self.name = name
        self._made = made

    def load(self) -> object:
        if isinstance(self._made, Exception):
            raise self._made
        return self._made


LOG = MAGIC + b"".join((16_000 + i).to_bytes(4, "little") for i in range(10))


def installed(monkeypatch: pytest.MonkeyPatch, *entries: Entry) -> list[str]:
    asked: list[str] = []

    def entry_points(*, group: str) -> list[Entry]:
        asked.append(group)
        return list(entries)

    monkeypatch.setattr(importlib.metadata, "entry_points", entry_points)
    return asked


def test_the_built_in_adapters_are_named_in_the_package() -> None:
    entries = {entry.name: entry for entry in importlib.metadata.entry_points(group="frametime.adapters")}
    for built_in in (FrameLogAdapter, ArrowFileAdapter):
        adapter = built_in()
        assert isinstance(adapter, Adapter)
        assert entries[adapter.name].load() is built_in


def test_a_plugin_reads_its_log(monkeypatch: pytest.MonkeyPatch) -> None:
    installed(monkeypatch, Entry("bench", BenchAdapter))
    capture = read_capture(io.BytesIO(LOG))
    assert capture.provenance.adapter == "bench"
    assert capture.n_frames == 10
    assert capture.caveats == ()


def test_the_look_up_is_left_out_where_a_built_in_adapter_reads_the_log(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = installed(monkeypatch, Entry("bench", BenchAdapter))
    read_capture(DATA / "frame_pollutions" / "base_lf.csv")
    assert asked == []
    read_capture(io.BytesIO(LOG))
    assert asked == ["frametime.adapters"]


def test_two_claims_are_an_error_that_names_both(monkeypatch: pytest.MonkeyPatch) -> None:
    installed(monkeypatch, Entry("bench", BenchAdapter), Entry("greedy", GreedyAdapter))
    with pytest.raises(ReadError, match="'bench' and 'greedy' both claim this log; choose one with --adapter"):
        read_capture(io.BytesIO(LOG))
    assert read_capture(io.BytesIO(LOG), options=ReadOptions(adapter="greedy")).provenance.adapter == "greedy"


def test_a_broken_plugin_is_a_caveat(monkeypatch: pytest.MonkeyPatch) -> None:
    installed(monkeypatch, Entry("bench", BenchAdapter), Entry("broken", ImportError("no module named x")))
    capture = read_capture(io.BytesIO(LOG))
    assert [caveat.code for caveat in capture.caveats] == ["adapter-not-loaded"]
    assert "'broken'" in capture.caveats[0].message


def test_a_broken_plugin_asked_for_is_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    installed(monkeypatch, Entry("broken", ImportError("no module named x")), Entry("odd", object))
    for name in ("broken", "odd"):
        with pytest.raises(ReadError, match=f"the adapter '{name}' could not be loaded"):
            read_capture(io.BytesIO(LOG), options=ReadOptions(adapter=name))
    with pytest.raises(ReadError, match="no adapter 'none'; there are arrow-file, broken, delimited-text, odd"):
        read_capture(io.BytesIO(LOG), options=ReadOptions(adapter="none"))


def test_a_plugin_that_returns_no_rising_times_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    class Careless(BenchAdapter):
        def parse(self, log: BinaryIO, options: ReadOptions) -> ParsedLog:
            return ParsedLog(frames=pa.table({"timestamp_ns": pa.array([3, 2, 1], pa.int64())}), rows_read=3)

    installed(monkeypatch, Entry("bench", Careless))
    with pytest.raises(ReadError, match="the adapter 'bench' gave timestamps that do not rise"):
        read_capture(io.BytesIO(LOG))


@pytest.mark.parametrize(
    "name", ["base_lf.csv", "enc_utf16le_no_bom.csv", "unit_clock_hms.csv", "delim_spaces_aligned.txt"]
)
def test_each_adapter_refuses_the_logs_of_the_other(name: str) -> None:
    head = (DATA / "frame_pollutions" / name).read_bytes()[:4096]
    assert FrameLogAdapter().recognizes(head)
    assert not ArrowFileAdapter().recognizes(head)
    table = pa.table({"frame_ms": [16.5] * 50})
    for new in (pa.ipc.new_file, pa.ipc.new_stream):
        sink = io.BytesIO()
        with new(sink, table.schema) as writer:
            writer.write_table(table)
        assert ArrowFileAdapter().recognizes(sink.getvalue()[:4096])
        assert not FrameLogAdapter().recognizes(sink.getvalue()[:4096])
