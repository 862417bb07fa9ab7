"""A choice that was settled once is kept beside the logs and used for others of the same columns, and said."""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from frametime.adapters.base import ReadOptions
from frametime.adapters.columns.layout import LAYOUTS_NAME
from frametime.adapters.reading import read_capture
from frametime.errors import LayoutError, ReadError
from tests.cli.run_cli import frametime

LENGTHS = [500 + (i * i * 37) % 91 for i in range(200)]
"""As us 2000 fps, as ms 2 fps: both can be."""


def write(path: Path, header: str = "frame time") -> Path:
    path.write_text("\n".join([header, *map(str, LENGTHS)]) + "\n", encoding="utf-8")
    return path


def test_a_settled_layout_is_used_for_other_logs_of_the_folder(tmp_path: Path) -> None:
    first, second = write(tmp_path / "a.csv"), write(tmp_path / "b.csv")
    with pytest.raises(ReadError, match="in 2 ways that differ"):
        read_capture(second)
    done = frametime("check", first, "--time-column", "frame time", "--unit", "us", "--remember")
    assert done.code == 0, done.err
    capture = read_capture(second)
    assert capture.frames["timestamp_ns"][1].as_py() == LENGTHS[0] * 1000
    assert [caveat.code for caveat in capture.caveats] == ["layout-remembered"]
    assert LAYOUTS_NAME in capture.caveats[0].message
    assert '[[log]]\ncolumns = ["frame time"]\ntime_column = "frame time"\nunit = "us"' in (
        tmp_path / LAYOUTS_NAME
    ).read_text("utf-8")


def test_what_is_told_wins_and_takes_its_place(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv")
    for unit, ns in (("us", 1000), ("ms", 1_000_000)):
        told = read_capture(path, options=ReadOptions(unit=unit, remember=True))
        assert told.frames["timestamp_ns"][1].as_py() == LENGTHS[0] * ns
        assert read_capture(path).frames["timestamp_ns"][1].as_py() == LENGTHS[0] * ns
    assert (tmp_path / LAYOUTS_NAME).read_text("utf-8").count("[[log]]") == 1


def test_other_columns_and_other_folders_are_not_touched(tmp_path: Path) -> None:
    read_capture(write(tmp_path / "a.csv"), options=ReadOptions(unit="us", remember=True))
    with pytest.raises(ReadError, match="in 2 ways that differ"):
        read_capture(write(tmp_path / "b.csv", "duration"))
    (tmp_path / "other").mkdir()
    with pytest.raises(ReadError, match="in 2 ways that differ"):
        read_capture(write(tmp_path / "other" / "a.csv"))


def test_a_log_without_names_is_known_by_its_number_of_columns(tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_text("\n".join(map(str, LENGTHS)) + "\n", encoding="utf-8")
    read_capture(tmp_path / "a.txt", options=ReadOptions(time_column=1, unit="us", remember=True))
    assert "columns = 1\ntime_column = 1" in (tmp_path / LAYOUTS_NAME).read_text("utf-8")
    assert read_capture(tmp_path / "a.txt").caveats[0].code == "layout-remembered"


def test_a_damaged_file_of_layouts_is_named(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv")
    for text in ("[[log", "log = 1", '[[log]]\nunit = "ms"', '[[log]]\ncolumns = ["frame time"]\nunit = "furlong"'):
        (tmp_path / LAYOUTS_NAME).write_text(text, encoding="utf-8")
        with pytest.raises(LayoutError, match=LAYOUTS_NAME):
            read_capture(path)


def test_a_settled_layout_is_used_for_tables_as_for_texts(tmp_path: Path) -> None:
    first, second = tmp_path / "a.parquet", tmp_path / "b.parquet"
    for path in (first, second):
        pq.write_table(pa.table({"frame time": LENGTHS}), path)
    with pytest.raises(ReadError, match="in 2 ways that differ"):
        read_capture(second)
    done = frametime("check", first, "--time-column", "frame time", "--unit", "us", "--remember")
    assert done.code == 0, done.err
    capture = read_capture(second)
    assert capture.frames["timestamp_ns"][1].as_py() == LENGTHS[0] * 1000
    assert [caveat.code for caveat in capture.caveats] == ["layout-remembered"]
